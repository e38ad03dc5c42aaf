"""Sentences about what makes the colours differ in width."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt

from fourlight.core.trials import Trial
from fourlight.core.widthcauses import Explained, Seen
from fourlight.stages.width_ratio import WidthRatio

__all__ = ["statement"]

Float64 = npt.NDArray[np.float64]

CLOSE = 6.0
"""Scores that differ by less are no strong evidence (Kass & Raftery 1995)."""

BY_CHANCE = 0.01
"""Likelihood of what a cause leaves, below which it does not explain the series."""

MAY_BE_CHANCE = "These lights show no difference for which a cause could be sought."
NONE_STANDS_OUT = "No cause explains these lights clearly better than none at all, so that none can be told."
GUESSED = "Wavelengths are those of a sensor without a filter in front; behind a narrow one they are others."

NAMES = {
    "seeing": "turbulence (seeing), which makes red sharper",
    "diffraction": "diffraction, which makes red blurrier in proportion to wavelength",
    "lens": "focus and colour of the lens",
    "drift": "focus and colour of the lens, with a focus that drifts through the night",
    "both": "turbulence, which makes red sharper, together with focus and colour of the lens",
    "dispersion": "spread of colours by the atmosphere inside each filter",
    "aperture": "turbulence, which makes red sharper, together with diffraction, which makes it blurrier",
}

KINDS = {"drift": {"lens"}, "both": {"lens", "seeing"}, "aperture": {"seeing", "diffraction"}}
"""What causes are made of, where that is not themselves."""

NO_BOUND = 10.0
"""Ratio beyond which the end of an interval says nothing."""

APERTURE = "the aperture of the telescope, which says how much diffraction there is"
OTHER_SEEING = "lights in better and worse seeing"
OTHER_HEIGHTS = "lights at high and at low altitude, with place and time in their headers"

TELLS = {
    frozenset({"seeing", "lens"}): (
        f"{OTHER_SEEING} (by turbulence the ratio stays or grows with the width, by the lens it shrinks)",
        "a series refocused for red",
    ),
    frozenset({"diffraction", "lens"}): (APERTURE,),
    frozenset({"seeing", "diffraction"}): (APERTURE, OTHER_SEEING),
    frozenset({"dispersion", "lens"}): (OTHER_HEIGHTS,),
    frozenset({"dispersion", "seeing"}): (OTHER_HEIGHTS,),
    frozenset({"dispersion", "diffraction"}): (OTHER_HEIGHTS, APERTURE),
}


def statement(
    ranked: Sequence[Explained], ratios: Mapping[str, WidthRatio], seen: Seen, unit: str, seeing: Float64,
    power: Trial | None, guessed: bool = False,
) -> str:  # fmt: skip
    """What was measured, which cause fits best and how far, what fits as well, and what would tell.

    Parameters
    ----------
    ranked : sequence of Explained
        Best first.
    ratios : mapping
        Of R and B.
    seen : Seen
    unit : str
        Of its widths.
    seeing : (2,) float64
        Per cent that turbulence alone makes red and blue wider than green.
    power : Trial or None
        Of air mass in the width.
    guessed : bool
        Whether wavelengths are those of a sensor without a filter because the filter is not known.
    """
    said = [_measured(ratios)]
    causes = [each for each in ranked if each.cause != "none"]
    better = min(each.score for each in ranked if each.cause == "none") - causes[0].score
    by_chance = all(not ratio.trial.p < 0.05 for ratio in ratios.values())
    if better < CLOSE:
        return f"{said[0]} {MAY_BE_CHANCE if by_chance else NONE_STANDS_OUT}"
    if by_chance:
        said.append("On average that may be chance, but it changes in a way that has a cause.")
    best, rivals = causes[0], _rivals(causes, seen)
    if best.p < BY_CHANCE:
        said.append(
            f"No single cause explains this to within its errors; nearest comes {_named(best, seen, unit)}."
        )
    elif rivals:
        said.append(f"Likely causes are {_named(best, seen, unit)}, or {_listed(rivals, seen, unit)}.")
    else:
        said.append(f"The likely cause is {_named(best, seen, unit)}.")
    said += _against(best, rivals, causes, ratios, seeing)
    if power is not None and np.isfinite(power.error):
        said.append(
            f"Width in green goes as air mass to the power {power.value:.1f} ± {power.error:.1f} (0.6 by turbulence)."
        )
    if tells := _tells(best, rivals, seen):
        said.append(f"What would tell: {'; '.join(tells)}.")
    if guessed:
        said.append(GUESSED)
    return " ".join(said)


def _kinds(each: Explained) -> set[str]:
    return KINDS.get(each.cause, {each.cause})


def _rivals(causes: Sequence[Explained], seen: Seen) -> list[Explained]:
    """Causes that fit nearly as well as the first and have nothing in common with it or with each other.

    Diffraction by a known aperture is part of all, so that where it is enough by itself nothing rivals it.
    """
    out: list[Explained] = []
    if causes[0].cause == "diffraction" and seen.airy2:
        return out
    for each in causes[1:]:
        named = set().union(*(_kinds(other) for other in [causes[0], *out]))
        if each.score < causes[0].score + CLOSE and each.p >= BY_CHANCE and not _kinds(each) & named:
            out.append(each)
    return out


def _tells(best: Explained, rivals: Sequence[Explained], seen: Seen) -> list[str]:
    pairs = [frozenset({one, other}) for each in rivals for one in _kinds(best) for other in _kinds(each)]
    found = {one for pair in pairs for one in TELLS.get(pair, ())}
    return sorted(found - {APERTURE} if seen.airy2 else found)


def _measured(ratios: Mapping[str, WidthRatio]) -> str:
    names = {"R": "Red", "B": "blue"}
    parts = [f"{names[colour]} stars are {_wider(ratio.trial)}" for colour, ratio in ratios.items()]
    scope = next(iter(ratios.values())).scope
    return f"{' and '.join(parts)} than green ones ({scope})."


def _wider(trial: Trial) -> str:
    value, low, high = (100 * (part - 1) for part in (trial.value, trial.low, trial.high))
    if not (np.isfinite(low) and trial.high < NO_BOUND):
        what = "wider" if value > 0 else "narrower"
        return f"{abs(value):.1f} % {what} (no interval: lights are too few or too much like the one before)"
    if value < 0:
        value, low, high = -value, -high, -low
    which = "narrower" if trial.value < 1 else "wider"
    return f"{value:.1f} % {which} ({round(low, 1) + 0.0:.1f} to {round(high, 1) + 0.0:.1f})"


def _listed(rivals: Sequence[Explained], seen: Seen, unit: str) -> str:
    return ", or ".join(_named(each, seen, unit) for each in rivals)


def _named(each: Explained, seen: Seen, unit: str) -> str:
    """A cause with what it says of red and blue, and its size."""
    red, blue = 100 * (np.sqrt(np.maximum(1 + 2 * each.predicted, 0.0)) - 1)
    size = f"red {red:+.1f} %, blue {blue:+.1f} %"
    if seen.airy2 and each.cause != "diffraction":
        size += f"; diffraction by the aperture of {seen.aperture_mm:.0f} mm counted in"
    if "lens" in _kinds(each):
        size += f"; {_blurs(each, unit)}"
    if each.cause == "dispersion" and (seen.tangent is None or not seen.arcsec):
        size += "; altitude or scale is not known, so its size cannot be checked"
    if "diffraction" in _kinds(each) and not seen.airy2:
        size += "; the aperture is not known, so its size cannot be checked"
    return f"{NAMES[each.cause]} ({size})"


def _blurs(each: Explained, unit: str) -> str:
    """How much more or less blur red and blue have than green, in square beside the rest."""
    parts = [
        _blur(square, error, unit, name)
        for name, square, error in zip(("red", "blue"), each.unknowns[:2], each.errors[:2], strict=True)
    ]
    return f"{' and '.join(parts)}, added in square"


def _blur(square: float, error: float, unit: str, name: str) -> str:
    """A blur with its standard error, or the most that it may be: what is told from its square alone."""
    if abs(square) < 2 * error:
        return f"at most {np.sqrt(abs(square) + 2 * error):.2f} {unit} of blur more or less in {name}"
    size = np.sqrt(abs(square))
    more = "more" if square > 0 else "less"
    return f"{size:.2f} ± {max(error / (2 * size), 0.01):.2f} {unit} {more} blur in {name}"


def _against(
    best: Explained, rivals: Sequence[Explained], causes: Sequence[Explained], ratios: Mapping[str, WidthRatio],
    seeing: Float64,
) -> list[str]:  # fmt: skip
    """Why turbulence, which everybody thinks of first, is not among the causes named."""
    if any("seeing" in _kinds(each) for each in [best, *rivals]):
        return []
    red = ratios["R"].trial
    given = f"by itself it makes red {seeing[0]:+.1f} % and blue {seeing[1]:+.1f} % wide"
    if red.p < 0.05 and red.value > 1:
        return [f"Turbulence works the other way in red: {given}."]
    return [f"Turbulence does not fit: {given}."] if causes else []
