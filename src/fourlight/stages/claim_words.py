"""Claims in sentences."""

from __future__ import annotations

import math

import numpy as np

from fourlight.core.trials import LEVEL
from fourlight.stages.claim_file import Claim
from fourlight.stages.claim_terms import COVARIATES, QUANTITIES, Side
from fourlight.stages.told import decimals_beside

__all__ = ["claim_name", "sentence", "unit"]


def claim_name(claim: Claim, part: str) -> str:
    """A claim and the plane or night that it is tested in.

    >>> from fourlight.stages.claim_file import shipped
    >>> claim_name(shipped()[2], "R"), claim_name(shipped()[0], "")
    ('the Moon night hurt (R)', 'green is idle')
    """
    return f"{claim.name} ({part})" if part else claim.name


def unit(claim: Claim) -> str:
    """Unit of the effect; a share and a relative unevenness are of one."""
    if claim.compare == "ratio":
        return "times"
    if claim.compare == "slope":
        return f"times for {_step(claim)}"
    return QUANTITIES[claim.quantity].unit if claim.compare == "difference" else "of 1"


def _step(claim: Claim) -> str:
    of = COVARIATES[claim.over]
    return (
        f"{claim.step:g} times the {claim.over}"
        if of == "times"
        else f"{claim.step:g} {of} more {claim.over}"
    )


def sentence(claim: Claim, plane: str, sides: tuple[Side, Side], sizes: tuple[float, float, float]) -> str:
    """What was found, in words, with the interval and what would matter.

    Parameters
    ----------
    claim : Claim
    plane : str
        Empty where planes are compared.
    sides : tuple of Side
        As tested: a certain night where the claim says each night.
    sizes : tuple of float
        Effect, and the ends of its interval.
    """
    effect, low, high = _rounded(sizes, (claim.null, claim.matters))
    means, where = QUANTITIES[claim.quantity].means, f"in {plane}, " if plane else ""
    one, other = (_words(side) for side in sides)
    equal = f" at equal {' and '.join(claim.at_equal)}" if claim.at_equal else ""
    if claim.compare == "share":
        among = "" if claim.among == "all lights" else f" of {Side('group', claim.among).words}"
        said = f"{one} holds {effect} of the {means} of {other}{among}"
    elif claim.compare == "ratio":
        said = f"{where}{one} had {effect} times the {means} of {other}{equal}"
    elif claim.compare == "difference":
        said = f"{where}{one} had {effect} {unit(claim)} more {means} than {other}".replace("  ", " ")
    elif claim.compare == "slope":
        said = f"{where}the {means} of {one} was {effect} times as large for {_step(claim)}{equal}"
    else:
        said = f"{one} differs from {other} by {effect} of the {means} from place to place"
    return f"{said} ({100 * LEVEL:.0f} % interval {low} to {high}); {_bar(claim)} would matter"


def _rounded(sizes: tuple[float, float, float], bounds: tuple[float, ...] = ()) -> list[str]:
    """An effect and the ends of its interval, to the digits that the shorter arm has, and to more beside a bound.

    >>> _rounded((0.56034, 0.5558, 0.5648)), _rounded((3.03, 1.86, 4.93)), _rounded((1.0, 1.0, 1.0))
    (['0.560', '0.556', '0.565'], ['3.0', '1.9', '4.9'], ['1.00', '1.00', '1.00'])
    >>> _rounded((0.987, 0.71, 1.396)), _rounded((1.0, 0.7, 1.0))
    (['0.99', '0.71', '1.40'], ['1.0', '0.7', '1.0'])
    >>> _rounded((0.99, 0.98, 0.9997), (1.0,))
    ['0.9900', '0.9800', '0.9997']
    """
    arms = sorted(abs(end - sizes[0]) for end in sizes[1:])
    arm = next((arm for arm in arms if 0 < arm < math.inf), 0.0)
    digits = math.floor(math.log10(arm)) if arm else -2
    digits -= 0 < arm < 3 * 10.0**digits
    decimals = decimals_beside(sizes, bounds, min(max(-digits, 0), 6))
    return [f"{size:.{decimals}f}" for size in sizes]


def _words(of: Side) -> str:
    """Planes in words too.

    >>> _words(Side("planes", "R+G+B"))
    'R, G and B'
    """
    *most, last = of.planes or (of.words,)
    return f"{', '.join(most)} and {last}" if most else last


def _bar(claim: Claim) -> str:
    """The smallest effect that matters.

    >>> from fourlight.stages.claim_file import shipped
    >>> _bar(shipped()[0]), _bar(shipped()[10])
    ('0.1 or less', '1.1 or more, or 0.91 or less,')
    """
    if claim.direction != "either":
        return f"{_stated(claim.matters)} or {claim.direction}"
    ratio = claim.compare in ("ratio", "slope")
    other = claim.null**2 / claim.matters if ratio else 2 * claim.null - claim.matters
    said = {claim.matters: _stated(claim.matters), other: _mirrored(other, abs(claim.matters - claim.null))}
    return f"{said[max(said)]} or more, or {said[min(said)]} or less,"


def _stated(value: float) -> str:
    """A number as it was given, without powers of ten.

    >>> _stated(1.004), _stated(1100.0), _stated(-2.0)
    ('1.004', '1100', '-2')
    """
    return np.format_float_positional(value, trim="-")


def _mirrored(value: float, arm: float) -> str:
    """A number at this distance from another, to two digits of the distance or, where that is less, of itself.

    >>> _mirrored(1 / 1.1, 0.1), _mirrored(1 / 1.004, 0.004), _mirrored(900.0, 100.0), _mirrored(1 / 1100, 1099.0)
    ('0.91', '0.996', '900', '0.00091')
    """
    least = min(arm, abs(value) or arm)
    # 1 - 0.9 is a little less than 0.1
    decimals = max(1 - math.floor(math.log10(least) + 1e-9), 0)
    return _stated(round(value, decimals))
