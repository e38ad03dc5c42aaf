"""Lights in order of time, used and set aside."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from fourlight.report.aside import lights_aside
from fourlight.report.words import reached

__all__ = ["Moment", "green", "mean_known", "moments"]


@dataclass(frozen=True, slots=True)
class Moment:
    """One frame on the time axis."""

    file: str
    night: str
    time: str
    """ISO, empty if not known."""
    frame: Mapping[str, Any]
    """Measured numbers; empty if it was set aside before measuring."""
    reason: str | None = None
    """Why it was set aside; None for a frame that was used."""


def moments(summary: Mapping[str, Any]) -> list[Moment]:
    """Lights used and set aside in order of time; one without a time stands after its neighbour by name."""
    order = [_moment(frame, frame, None) for frame in summary.get("frames") or ()]
    order.sort(key=lambda m: (m.night, m.time, m.file))
    by_name = sorted(order, key=lambda m: m.file)
    aside = [
        _moment(item, item.get("measured") or {}, str(item.get("reason") or "no reason given"))
        for item in lights_aside(summary)
    ]
    # those with a time first: one without would shift what comes after it
    for moment in sorted(aside, key=lambda m: not m.time):
        order.insert(_place(moment, order, by_name), moment)
    return order


def green(frame: Mapping[str, Any], key: str) -> float | None:
    """Mean of both green planes of a number of a frame; None where it was not measured.

    >>> green({"sky": {"G1": 100.0, "G2": 102.0}}, "sky"), green({}, "sky")
    (101.0, None)
    """
    return mean_known([reached(frame, key, "G1"), reached(frame, key, "G2")])


def mean_known(values: Sequence[Any]) -> float | None:
    """Mean of the numbers among some values; None where there is none."""
    known = [float(v) for v in values if isinstance(v, int | float) and math.isfinite(v)]
    return sum(known) / len(known) if known else None


def _moment(item: Mapping[str, Any], frame: Mapping[str, Any], reason: str | None) -> Moment:
    night, time = (str(frame.get(key) or item.get(key) or "") for key in ("night", "time"))
    return Moment(str(item.get("file") or ""), night, time, frame, reason)


def _place(moment: Moment, placed: Sequence[Moment], by_name: Sequence[Moment]) -> int:
    if moment.time:
        return sum((m.night, m.time) <= (moment.night or m.night, moment.time) for m in placed)
    before = [m for m in by_name if m.file <= moment.file]
    return placed.index(before[-1]) + 1 if before else 0
