"""Words of a comparison of two setups: what is compared, what came out, and what it does not hold."""

from __future__ import annotations

import numpy as np

from fourlight.report.clock import Clock, span_words
from fourlight.report.sub_words import rig_words
from fourlight.report.words import digits
from fourlight.sky.crossings import HORIZON_LIFT_DEG
from fourlight.stages.compare_setup import Setup
from fourlight.stages.compare_whole import BOUNDS, Compared, Quantity, Side
from fourlight.stages.told import beside

__all__ = [
    "CALLED", "LETTERS", "SURE", "channel_words", "glass_words", "limits_words", "ratio_range", "ratio_words",
    "setup_words", "target_words", "times", "verdict", "verdict_lines", "weakest_words", "window_words",
]  # fmt: skip

CALLED = {
    "halpha": "Hα", "oiii": "[OIII]", "sii": "[SII]", "continuum": "continuum", "blue light": "blue light",
    "green light": "green light", "red light": "red light", "all light": "all light together", "star": "a faint star",
    "weakest": "the weakest needed",
}  # fmt: skip
LETTERS = ("A", "B")
SURE = round(100 * (BOUNDS[1] - BOUNDS[0]))
"""Per cent of the draws within an interval."""
SOON_S = 600.0
"""Difference from which on it is told that one has all that is needed earlier."""


def limits_words(compared: Compared) -> list[str]:
    """What the comparison does not hold."""
    target = compared.asked.target
    beneath = bool(target.rayleigh) and target.mag_arcsec2 is not None
    return [
        *(["continuum beneath lines is taken as known, from wherever"] if beneath else []),
        "darks or dithering take away the pattern of the dark current; left in, it costs more than is told",
        (
            "a patch of sky is compared, whose sky beside it is known; how sharp stars are, gradients, and what is "
            "done to the pictures afterwards are not"
        ),
        (
            "lines are told apart with curves as they are drawn; what wrong curves leak from one line into another is "
            "no noise, see fourlight lines"
        ),
        "turning over at the meridian and starting up cost both the same and are not counted",
    ]


def window_words(compared: Compared, clock: Clock) -> str:
    """The hours, and the sky in them."""
    end = compared.start_s + compared.asked.hours * 3600
    parts, night = compared.parts, compared.night
    hours = (night.moments_s >= compared.start_s) & (night.moments_s <= end)
    moon = night.moon.altitude_deg[hours] > -HORIZON_LIFT_DEG
    lit = f"Moon {100 * night.lit_share:.0f} % lit"
    up = "down" if not moon.any() else "up all the time" if moon.all() else "up for a part of it"
    return (
        f"{clock.hm(compared.start_s)} to {clock.hm(end)} ({clock.name}), {span_words(compared.asked.hours)} of the "
        f"night of {compared.asked.evening}; air mass {parts.air_mass.min():.2f} to {parts.air_mass.max():.2f}; "
        f"{lit}, {up}"
    )


def target_words(compared: Compared) -> str:
    """What is photographed, and how large a patch is compared."""
    asked = compared.asked
    light = [f"{CALLED[name]} {value:g} rayleigh" for name, value in asked.target.rayleigh.items()]
    if asked.target.mag_arcsec2 is not None:
        light.append(f"continuum {asked.target.mag_arcsec2:g} mag per square arcsec in V")
    side = asked.area_arcsec2**0.5
    return (
        f"{asked.target.name} ({', '.join(light)}) at {compared.sight.place.name}; a patch of {side:.3g} x {side:.3g} "
        f"arcsec, and a star of V = {asked.star_mag:g}"
    )


def setup_words(setup: Setup) -> str:
    """A setup in words."""
    rig = setup.glass[0].rig
    camera = "no dyes" if len(rig.channels) == 1 else "colour mosaic"
    glass = ", ".join(f"{glass_words(each.called)} {each.share:g} x {each.sub_s:g} s" for each in setup.glass)
    if len(setup.glass) == 1:
        glass = f"{glass_words(setup.glass[0].called)}, subs of {setup.glass[0].sub_s:g} s"
    order = "" if len(setup.glass) == 1 else (
        "; one filter after another" if setup.round_min is None else f"; rounds of {setup.round_min:g} min"
    )  # fmt: skip
    optics = rig_words(rig).partition(", ")[2]
    return f"{setup.name}: {rig.response.name}, {camera}, {optics}; {glass}{order}"


def glass_words(called: str) -> str:
    """A filter by its name, as it is listed beside others.

    >>> glass_words("none"), glass_words("dual-7nm")
    ('no filter', 'dual-7nm')
    """
    return "no filter" if called == "none" else called


def times(ratio: float) -> str:
    """A ratio in few digits, with enough of them to be seen above or below 1.

    >>> times(1.2345), times(12.3), times(float("inf")), times(float("nan")), times(0.9996)
    ('1.23', '12', 'only B', 'neither', '0.9996')
    """
    if np.isnan(ratio):
        return "neither"
    if np.isinf(ratio):
        return "only B"
    return "only A" if ratio == 0 else beside(ratio, 1.0, 2) if ratio < 10 else f"{ratio:.0f}"


def ratio_range(low: float, high: float) -> str:
    """An interval of ratios in words.

    >>> ratio_range(1.2, 1.5), ratio_range(1.2, float("inf")), ratio_range(0.0, 0.8)
    ('1.20 to 1.50', '1.20 or more', '0.80 or less')
    >>> ratio_range(float("inf"), float("inf")), ratio_range(0.0, float("inf")), ratio_range(float("nan"), 1.0)
    ('always only B', 'anything', '-')
    """
    if np.isnan(low) or np.isnan(high):
        return "-"
    if low == 0 or np.isinf(high):
        if low == high:
            return "always only A" if low == 0 else "always only B"
        if low == 0:
            return "anything" if np.isinf(high) else f"{times(high)} or less"
        return f"{times(low)} or more"
    return f"{times(low)} to {times(high)}"


def verdict(one: Quantity) -> str:
    if np.isnan(one.ratio):
        return "neither tells it"
    if np.isnan(one.low) or one.low <= 1 <= one.high:
        return "cannot tell"
    return "B" if one.low > 1 else "A"


def channel_words(side: Side) -> str:
    """Signal over noise of each channel by itself."""
    return ", ".join(f"{name} {digits(value)}" for name, value in side.course.channels.items())


def weakest_words(compared: Compared) -> str:
    """What counts against the clock."""
    names = [CALLED[name] for name in compared.needed]
    return (
        f"signal over noise of {names[0]}"
        if len(names) == 1
        else f"signal over noise of the weakest of {', '.join(names)}"
    )


def verdict_lines(compared: Compared) -> list[str]:
    """What comes out, in sentences."""
    lines = [f"verdict: {ratio_words(compared.quantities[0], _about(compared))}"]
    for letter, side in zip(LETTERS, compared.sides, strict=True):
        lacking = [CALLED[name] for name in side.blind]
        if lacking:
            lines.append(
                f"verdict: {letter} does not tell {' and '.join(lacking)}: held back, or like its other light"
            )
    for early, late in ((0, 1), (1, 0)):
        when, later = (compared.sides[k].complete_s for k in (early, late))
        if when is not None and (later is None or when + SOON_S < later):
            until = "in all the hours" if later is None else f"before {span_words(later / 3600)} of the clock"
            lines.append(
                f"verdict: should cloud come, {LETTERS[early]} has something of all that is needed from "
                f"{span_words(when / 3600)} on; {LETTERS[late]} lacks a part of it {until}"
            )
    return lines


def _about(compared: Compared) -> str:
    names = [CALLED[name] for name in compared.needed]
    return names[0] if len(names) == 1 else f"the weakest of {', '.join(names[:-1])} and {names[-1]}"


def ratio_words(one: Quantity, about: str) -> str:
    """A ratio with its interval as a sentence.

    >>> ratio_words(Quantity("x", (1.0, 1.5), 1.5, 1.2, 1.8), "Hα")
    'B tells Hα 1.50 times as well as A (1.20 to 1.80): A would need 2.2 times as much of the clock (1.4 to 3.2)'
    >>> ratio_words(Quantity("x", (1.0, 1.1), 1.1, 0.9, 1.3), "Hα")
    'cannot tell which of them tells Hα better: B over A is 1.10 (0.90 to 1.30), which holds 1'
    >>> ratio_words(Quantity("x", (1.0, 0.99), 0.99, 0.98, 0.9996), "Hα")
    'A tells Hα 1.01 times as well as B (1.0004 to 1.02): B would need 1.02 times as much of the clock (1.001 to 1.04)'
    """
    found = verdict(one)
    if np.isnan(one.ratio):
        return f"neither tells {about} in these hours"
    ratio, low, high = one.ratio, one.low, one.high
    if found == "cannot tell":
        return (
            f"cannot tell which of them tells {about} better: B over A is {times(ratio)} ({times(low)} to "
            f"{times(high)}), which holds 1"
        )
    better, worse = ("B", "A") if found == "B" else ("A", "B")
    if found == "A":
        with np.errstate(divide="ignore"):
            ratio, low, high = (float(np.divide(1.0, value)) for value in (ratio, high, low))
    if np.isinf(ratio):
        return f"only {better} tells {about} in these hours"
    upper, most = ("any number", "any") if np.isinf(high) else (beside(high, 1.0, 2), _clock(high))
    return (
        f"{better} tells {about} {beside(ratio, 1.0, 2)} times as well as {worse} ({beside(low, 1.0, 2)} to {upper}): "
        f"{worse} would need {_clock(ratio)} times as much of the clock ({_clock(low)} to {most})"
    )


def _clock(ratio: float) -> str:
    """How much more time makes up for a ratio of signal over noise."""
    return beside(ratio**2, 1.0, 1 if ratio**2 >= 1.1 else 2)
