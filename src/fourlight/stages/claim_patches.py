"""The effect of a treatment on the stack of the same lights, patch by patch."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from fourlight.core import correlated
from fourlight.core.estimates import pseudo_values
from fourlight.stages.claim_effects import FRAMES, Effect
from fourlight.stages.claim_file import Claim
from fourlight.stages.claim_lights import Untold, patches_of
from fourlight.stages.claim_terms import QUANTITIES
from fourlight.stages.series import Series

__all__ = ["agreement", "of_treatments", "of_unevenness", "unevenness"]

Float64 = npt.NDArray[np.float64]

LEAST = 8
"""Patches without which nothing is told."""
LEAST_NOISE = 1e-6
"""Relative noise of a patch that is always counted on."""
APART = 0.6
"""Probability beforehand that patches have nothing in common: they share no samples, though darks and background."""
PRESENT = 0.05
"""Share of the median signal below which a patch counts as holding nothing of the object, for unevenness."""


def of_treatments(series: Series, claim: Claim, plane: str) -> Effect:
    """A quantity of one treatment against that of another, in one plane."""
    kinds = (claim.of, claim.against)
    if claim.quantity == "snr":
        signals = [patches_of(series, kind, "signal", plane) for kind in kinds]
        noises = [patches_of(series, kind, "noise", plane) for kind in kinds]
        kept = _known(*signals, *noises) & (noises[0] > 0) & (noises[1] > 0)
        grain = np.log(noises[0][kept] / noises[1][kept])
        return _effect(claim, kept, _of_sums(signals[0][kept], signals[1][kept], grain, claim))
    first, second = (patches_of(series, kind, claim.quantity, plane) for kind in kinds)
    kept = _known(first, second)
    if claim.compare == "difference":
        return _effect(claim, kept, lambda: first[kept] - second[kept])
    if QUANTITIES[claim.quantity].adds:
        return _effect(claim, kept, _of_sums(first[kept], second[kept], np.zeros(int(kept.sum())), claim))
    kept &= (first > 0) & (second > 0)
    return _effect(claim, kept, lambda: np.log(first[kept] / second[kept]))


def _of_sums(first: Float64, second: Float64, less: Float64, claim: Claim) -> Callable[[], Float64]:
    """Values of the logarithm of a ratio of sums, less the mean of something else: patches without light count too."""

    def estimator(kept: npt.NDArray[np.intp]) -> float:
        return float(np.log(first[kept].sum() / second[kept].sum()) - less[kept].mean())

    def values() -> Float64:
        for sums in (first, second):
            if sums.sum() - max(float(sums.max(initial=0.0)), 0.0) <= 0:
                raise Untold(f"the {QUANTITIES[claim.quantity].means} is not above zero on the patches")
        return pseudo_values(estimator, first.size)

    return values


def of_unevenness(series: Series, claim: Claim) -> Effect:
    """How far a treatment changes the object's brightness here more than there, as two planes agree on it.

    The logarithm of the ratio of signals has, over patches, a part that both planes share and noise that they do not,
    where they share no samples. Their sum holds both, their difference the noise alone: estimated is half the logarithm
    of the ratio of the two variances (the test of Pitman 1939 and Morgan 1939 for a correlation), whose error does not
    depend on what it is. What they share is that times the noise; see `unevenness`.
    """
    parts = [
        [patches_of(series, kind, claim.quantity, plane) for plane in claim.planes]
        for kind in (claim.of, claim.against)
    ]
    kept = _known(*parts[0], *parts[1])
    for values in [*parts[0], *parts[1]] if kept.any() else []:
        kept &= values > PRESENT * max(float(np.nanmedian(values)), 0.0)
    one, other = (np.log(parts[0][k][kept] / parts[1][k][kept]) for k in (0, 1))

    def variance(values: Float64) -> float:
        return float(values.var(ddof=1)) + LEAST_NOISE**2

    def estimator(rows: npt.NDArray[np.intp]) -> float:
        return 0.5 * math.log(variance((one + other)[rows]) / variance((one - other)[rows]))

    found = _effect(claim, kept, lambda: pseudo_values(estimator, int(kept.sum())))
    return replace(found, noise=math.sqrt(variance(one - other) / 2))


def unevenness(estimate: float, noise: float) -> float:
    """What two planes share, from half the logarithm of the ratio of variances of their sum and difference.

    Below zero where they are less alike than chance has it.

    >>> round(unevenness(agreement(0.03, 0.01), 0.01), 12), unevenness(0.0, 0.01)
    (0.03, 0.0)
    """
    excess = math.expm1(2 * estimate) / 2
    return noise * math.copysign(math.sqrt(abs(excess)), excess)


def agreement(uneven: float, noise: float) -> float:
    """The reverse of `unevenness`."""
    return 0.5 * math.log1p(2 * (uneven / noise) ** 2)


def _known(*columns: Float64) -> npt.NDArray[np.bool_]:
    return np.asarray(np.isfinite(np.array(columns)).all(axis=0))


def _effect(claim: Claim, kept: npt.NDArray[np.bool_], values: Callable[[], Float64]) -> Effect:
    if kept.sum() < LEAST:
        raise Untold(_too_few(claim.quantity, int(kept.sum()), kept.size))
    return Effect(correlated.mean(values(), APART), FRAMES, "patches")


def _too_few(quantity: str, kept: int, patches: int) -> str:
    """What patches are, how many serve, and what gives more of them.

    >>> _too_few("width_px", 1, 24)
    'treatments are compared on small squares of the stack: 1 of the 24 has stars to measure, and 8 must; more or \
longer lights, or a field with more stars, would help'
    >>> _too_few("width_px", 0, 24)
    'treatments are compared on small squares of the stack: none of the 24 has stars to measure, and 8 must; more or \
longer lights, or a field with more stars, would help'
    """
    what, more = {
        "width_px": ("stars to measure", "more or longer lights, or a field with more stars,"),
        "level": ("light enough in every colour", "more lights, or a brighter sky or object,"),
    }.get(
        quantity, ("samples all over it" if kept == 1 else "samples all over them", "more lights, dithered,")
    )
    return (
        f"treatments are compared on small squares of the stack: {kept or 'none'} of the {patches} "
        f"{'has' if kept <= 1 else 'have'} {what}, and {LEAST} must; {more} would help"
    )
