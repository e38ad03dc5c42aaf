"""Length of subs, signal over noise and hours needed, as facts and as lines of text."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

import numpy as np

from fourlight.report.clock import span_words
from fourlight.report.responses import in_columns
from fourlight.sensor.rig import Rig
from fourlight.stages.plan_skies import SubPlan, Under
from fourlight.stages.plan_sub import LENGTHS_S, SubLength
from fourlight.stages.plan_time import Needed
from fourlight.stages.plan_wish import Wish

__all__ = ["CALLED", "needed_lines", "rig_words", "seconds", "snr_lines", "sub_facts", "sub_lines", "sub_plan_facts",
           "sub_plan_lines", "under_words"]  # fmt: skip

Facts = dict[str, Any]

CALLED = {"red": "red", "green": "green", "blue": "blue", "all colours": "all colours together", "halpha": "Hα",
          "oiii": "[OIII]", "sii": "[SII]"}  # fmt: skip
LADDER_S = (5.0, 15.0, 30.0, 60.0, 120.0, 180.0, 300.0, 600.0, 1200.0)
COLOURS = ("red", "green", "blue")


def seconds(value: float) -> str:
    """A length of time in few digits.

    >>> seconds(43.91), seconds(7.32), seconds(1007.0), seconds(float("inf")), seconds(9000.0)
    ('44 s', '7.3 s', '1007 s (17 min)', 'never', '2.5 h')
    """
    if not np.isfinite(value):
        return "never"
    if value < 10:
        return f"{value:.1f} s"
    if value < 600:
        return f"{value:.0f} s"
    return f"{value:.0f} s ({value / 60:.0f} min)" if value < 7200 else f"{value / 3600:.1f} h"


def sub_facts(sub: SubLength) -> Facts:
    """A length of subs as numbers."""
    return {
        "sky_e_s": dict(zip(COLOURS, sub.sky_e_s.tolist(), strict=True)),
        "colour_s": {
            name: float(v) if np.isfinite(v) else None for name, v in zip(COLOURS, sub.colour_s, strict=True)
        },
        "about": sub.about,
        "needed_s": sub.needed_s,
        "star_s": sub.star_s,
        "longest_s": sub.longest_s,
        "advised_s": sub.advised_s,
        "loss": sub.loss,
        "full_mag": {
            name: float(v) if np.isfinite(v) else None for name, v in zip(COLOURS, sub.full_mag, strict=True)
        },
        "full_by": {name: _full_by(mag) for name, mag in zip(COLOURS, sub.full_mag, strict=True)},
    }


def _full_by(mag: float) -> str | None:
    """What fills pixels of a colour: stars, the sky alone, or nothing."""
    if np.isnan(mag):
        return "sky"
    return "stars" if np.isfinite(mag) else None


def sub_plan_facts(plan: SubPlan, assumed: Sequence[str]) -> Facts:
    """Subs under every sky as numbers, with the curve."""
    return {
        "pixel_arcsec": plan.rig.pixel_arcsec,
        "sky_mag": plan.sky_mag,
        "altitude_deg": plan.altitude_deg,
        "extinction_mag": plan.extinction_mag,
        "air_mass": plan.air_mass,
        "target": plan.wish.target.name,
        "area_arcsec2": plan.wish.area_arcsec2,
        "skies": [
            {
                "moon": None if under.moon is None else asdict(under.moon),
                "sky_mag": under.mag,
                **sub_facts(under.sub),
                "snr_of_an_hour": under.snr,
                "needed": None if under.needed is None else asdict(under.needed),
                "curve": {"sub_s": LENGTHS_S.tolist(), "loss": under.sub.curve[-1].tolist()},
            }
            for under in plan.skies
        ],
        "assumed": list(assumed),
    }


def rig_words(rig: Rig) -> str:
    """Camera, filter and optics in words."""
    optics = rig.optics
    return (
        f"{rig.response.name} behind {rig.filter.name}, {optics.focal_mm:g} mm f/{optics.f_ratio:.3g}, "
        f"{rig.pixel_arcsec:.2f} arcsec per pixel"
    )


def under_words(under: Under) -> str:
    """A sky in words."""
    if under.moon is None:
        return f"no Moon, sky {under.mag:.2f}"
    return (
        f"Moon {100 * under.moon.lit:.0f} % lit, {under.moon.apart_deg:g} degrees away, sky {under.mag:.2f}"
    )


def sub_plan_lines(plan: SubPlan, assumed: Sequence[str]) -> list[str]:
    """Subs under every sky as text."""
    lines = [
        f"rig     {rig_words(plan.rig)}",
        f"target  {plan.wish.target.name}, {plan.altitude_deg:g} degrees high, air mass {plan.air_mass:.2f}",
    ]
    for under in plan.skies:
        lines += ["", under_words(under) + " mag per square arcsec", *sub_lines(under.sub, plan.wish, "")]
        lines += [*_ladder(plan, under)]
        lines += snr_lines(under.snr, plan.wish, "an hour of light")
        lines += needed_lines(under.needed)
    care = "take care: never point optics near the Sun; local rules on lights, land and power come first."
    return [*lines, "", *(f"assumed: {each}" for each in assumed), care]


def sub_lines(sub: SubLength, wish: Wish, where: str) -> list[str]:
    """What the length rests on."""
    limits = [("read noise", sub.needed_s), ("the star to be kept", sub.star_s), ("the mount", sub.longest_s)]
    by = min((pair for pair in limits if pair[1] is not None), key=lambda pair: pair[1] or 0.0)[0]
    each = ", ".join(f"{name} {seconds(float(v))}" for name, v in zip(COLOURS, sub.colour_s, strict=True))
    lines = [
        f"sub     {seconds(sub.advised_s)} {where}".rstrip() + f"; the limit is {by}",
        f"  read noise costs {100 * wish.loss:g} % of {CALLED[sub.about]} at {seconds(sub.needed_s)} ({each} alone)",
    ]
    if sub.advised_s < sub.needed_s:
        cost = (1 + sub.loss) ** 2 - 1
        lines.append(
            f"  at {seconds(sub.advised_s)} it costs {100 * sub.loss:.0f} %, made good by {100 * cost:.0f} % more time"
        )
    if sub.star_s is not None:
        lines.append(f"  a star of V = {wish.keep_mag:g} is full from {seconds(sub.star_s)} on")
    sky = ", ".join(f"{name} {rate:.3g}" for name, rate in zip(COLOURS, sub.sky_e_s, strict=True))
    full = ", ".join(
        f"{name} {mag:.1f}"
        if np.isfinite(mag)
        else f"{name}: {'no star' if _full_by(mag) is None else 'the sky'} fills it"
        for name, mag in zip(COLOURS, sub.full_mag, strict=True)
    )
    return [
        *lines,
        f"  sky and dark current, electrons per second and pixel: {sky}",
        f"  stars brighter than V = {full} are full in the middle ({wish.fwhm_arcsec:g} arcsec wide)",
    ]


def _ladder(plan: SubPlan, under: Under) -> list[str]:
    rows = [["  sub", "noise over that without read noise", "sky, green", "stars full from V"]]
    for length in LADDER_S:
        loss = float(np.interp(np.log(length), np.log(LENGTHS_S), under.sub.curve[-1]))
        mags = plan.rig.full_star_mag(length, plan.wish.fwhm_arcsec, under.sub.sky_e_s, passed=plan.passed)
        full = "the sky fills it" if np.isnan(mags).any() else f"{mags.max():.1f}"
        rows.append(
            [f"  {length:g} s", f"+{100 * loss:.1f} %", f"{under.sub.sky_e_s[1] * length:.0f} e", full]
        )
    return in_columns(rows)


def snr_lines(snr: Mapping[str, float], wish: Wish, of_what: str) -> list[str]:
    """Signal over noise of the patch."""
    found = ", ".join(f"{CALLED[name]} {value:.3g}" for name, value in snr.items())
    side = wish.area_arcsec2**0.5
    return [
        f"signal over noise of {side:.3g} x {side:.3g} arcsec of the {wish.target.name}, {of_what}: {found}"
    ]


def needed_lines(needed: Needed | None) -> list[str]:
    """What the goal takes."""
    if needed is None:
        return []
    words = f"{needed.goal:g} in {CALLED[needed.about]} takes {span_words(needed.hours)} of light"
    if needed.clear_nights is not None:
        words += f": {needed.clear_nights} clear night{'s' * (needed.clear_nights != 1)}"
    if needed.expected_nights is not None:
        wait = f"{needed.expected_nights:.0f} nights to wait on average"
        words += f", {wait}, {needed.sure_nights} to be nine tenths sure"
    return [f"goal    {words}"]
