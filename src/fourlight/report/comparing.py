"""A comparison of two setups as facts and as lines of text."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from fourlight.report.clock import Clock, span_words
from fourlight.report.comparing_words import (
    CALLED,
    LETTERS,
    SURE,
    channel_words,
    glass_words,
    limits_words,
    ratio_range,
    setup_words,
    target_words,
    times,
    verdict,
    verdict_lines,
    weakest_words,
    window_words,
)
from fourlight.report.planning import site_words
from fourlight.report.responses import in_columns
from fourlight.report.words import digits
from fourlight.stages.compare_setup import Spent
from fourlight.stages.compare_whole import BOUNDS, Compared, Side

__all__ = ["budget_rows", "clock_rows", "compared_facts", "compared_lines", "quantity_rows"]

Facts = dict[str, Any]

CARE = "take care: never point optics near the Sun; local rules on lights, land and power come first."

ENDS = (1 / 6, 1 / 3, 1 / 2, 2 / 3, 5 / 6, 1.0)
"""Parts of the hours after which cloud may come."""


def compared_facts(compared: Compared, assumed: Sequence[str]) -> Facts:
    """Everything as numbers; times are seconds of the clock from the first moment."""
    asked, parts = compared.asked, compared.parts
    from datetime import UTC, datetime

    return {
        "site": {"name": asked.site.name, "latitude_deg": asked.site.latitude_deg,
                 "longitude_deg": asked.site.longitude_deg, "sky_mag": asked.site.sky_mag,
                 "extinction_mag": asked.site.extinction_mag},
        "evening": asked.evening.isoformat(),
        "start": datetime.fromtimestamp(round(compared.start_s), UTC).isoformat(),
        "hours": asked.hours,
        "place": {"name": compared.sight.place.name, "ra_deg": compared.sight.place.ra_deg,
                  "dec_deg": compared.sight.place.dec_deg},
        "target": {"name": asked.target.name, "mag_arcsec2": asked.target.mag_arcsec2,
                   "rayleigh": dict(asked.target.rayleigh), "area_arcsec2": asked.area_arcsec2},
        "sky": [
            {"until_s": float(parts.ends_s[k]), "dark_mag": float(parts.dark_mag[k]),
             "moonlit_mag": _known(parts.moonlit_mag[k]), "air_mass": float(parts.air_mass[k])}
            for k in range(len(parts.ends_s))
        ],
        "needed": list(compared.needed),
        "setups": [_side_facts(side) for side in compared.sides],
        "ratios": [
            {"about": one.name, "a": one.values[0], "b": one.values[1], "b_over_a": _known(one.ratio),
             "low": _known(one.low), "high": _known(one.high), "words": times(one.ratio), "verdict": verdict(one)}
            for one in compared.quantities
        ],
        "interval": list(BOUNDS),
        "draws": asked.draws,
        "verdict": [line.removeprefix("verdict: ") for line in verdict_lines(compared)],
        "assumptions": [
            {"name": one.name, "range": one.range, "source": one.source, "low": _known(one.low),
             "high": _known(one.high)}
            for one in compared.assumed
        ],
        "assumed": list(assumed),
    }  # fmt: skip


def _known(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _side_facts(side: Side) -> Facts:
    spent = side.course.taken.spent
    return {
        "name": side.setup.name,
        "subs": {each.called: int((side.course.taken.which == k).sum()) for k, each in enumerate(side.setup.glass)},
        "spent_s": {"light": dict(spent.light), "reading out and dithering": spent.between, "changes": spent.changes,
                    "refocus": spent.refocus, "flats": spent.flats, "rest": spent.rest},
        "channels": side.course.channels,
        "complete_s": side.complete_s,
        "cannot_tell": list(side.blind),
        "times_s": side.course.times_s.tolist(),
        "snr": {name: values.tolist() for name, values in side.course.snr.items()},
        "weakest": {"snr": side.worst.tolist(), "low": side.worst_low.tolist(), "high": side.worst_high.tolist()},
    }  # fmt: skip


def compared_lines(compared: Compared, clock: Clock, assumed: Sequence[str]) -> list[str]:
    """The comparison as text."""
    lines = [f"site    {site_words(compared.night)}", f"hours   {window_words(compared, clock)}",
             f"target  {target_words(compared)}"]  # fmt: skip
    for letter, side in zip(LETTERS, compared.sides, strict=True):
        lines.append(f"{letter}       {setup_words(side.setup)}")
    lines += ["", "where the hours go", *in_columns(budget_rows(compared))]
    lines += ["", f"signal over noise at the end of the hours, {SURE} % intervals of B over A",
              *in_columns(quantity_rows(compared))]  # fmt: skip
    lines += [
        f"channels of {letter}: {channel_words(side)}"
        for letter, side in zip(LETTERS, compared.sides, strict=True)
    ]
    lines += ["", f"if cloud ends the night: {weakest_words(compared)}", *in_columns(clock_rows(compared))]
    lines += ["", *verdict_lines(compared), ""]
    lines += [f"assumed: {one.range} ({one.source}); alone it makes B over A {ratio_range(one.low, one.high)}"
              + (" for a star" if one.name == "seeing" else "") for one in compared.assumed]  # fmt: skip
    return [
        *lines,
        *(f"assumed: {each}" for each in assumed),
        *(f"to know: {each}" for each in limits_words(compared)),
        CARE,
    ]


def budget_rows(compared: Compared) -> list[list[str]]:
    """Cells of where the time goes."""
    rows = [["", *LETTERS]]
    names = [name for side in compared.sides for name, _ in side.course.taken.spent.light]
    for name in dict.fromkeys(names):
        each = [dict(side.course.taken.spent.light).get(name) for side in compared.sides]
        rows.append([f"light, {glass_words(name)}", *(_minutes(seconds) for seconds in each)])
    if len(names) > 1:
        rows.append(["light in all", *(_share(s.course.taken.spent) for s in compared.sides)])
    for called, pick in (("reading out, dithering", "between"), ("changing filters", "changes"),
                         ("refocusing", "refocus"), ("flats", "flats"), ("left over", "rest")):  # fmt: skip
        rows.append([called, *(_minutes(getattr(s.course.taken.spent, pick)) for s in compared.sides)])
    return rows


def _minutes(seconds: float | None) -> str:
    return (
        "-" if seconds is None else f"{seconds / 60:.0f} min" if seconds >= 600 else f"{seconds / 60:.1f} min"
    )


def _share(spent: Spent) -> str:
    whole = spent.light_s + spent.between + spent.changes + spent.refocus + spent.flats + spent.rest
    return f"{_minutes(spent.light_s)} ({100 * spent.light_s / whole:.0f} %)"


def quantity_rows(compared: Compared) -> list[list[str]]:
    """Cells of what each reaches at the end."""
    rows = [["", *LETTERS, "B / A", "interval", "verdict"]]
    for one in compared.quantities:
        shown = [digits(value) if value > 0 else "none" for value in one.values]
        between = ratio_range(one.low, one.high)
        rows.append([CALLED[one.name], *shown, times(one.ratio), between, verdict(one)])
    return rows


def clock_rows(compared: Compared) -> list[list[str]]:
    """Cells of the weakest needed light when the night ends early."""
    rows = [["after", *LETTERS, "B / A"]]
    for part in ENDS:
        k = round(part * (len(compared.sides[0].worst) - 1))
        values = [float(side.worst[k]) for side in compared.sides]
        shown = [digits(value) if value > 0 else "none" for value in values]
        ratio = np.nan if not any(values) else np.inf if not values[0] else values[1] / values[0]
        rows.append([span_words(part * compared.asked.hours), *shown, times(ratio)])
    return rows
