"""The time axis of a chart: where frames stand, lines between nights, and labels that never run into each other."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from html import escape
from itertools import pairwise

from fourlight.report.moments import Moment

__all__ = ["BASE", "LEFT", "RIGHT", "SLIM", "TOP", "WIDTH", "labels", "positions"]

WIDTH, LEFT, RIGHT, TOP = 640, 62, 12, 16
SLIM = 360
"""Width of a chart on a narrow screen, where the letters of a wide one would be too small."""
BASE = 176
"""Height of the axis line; marks of lights that were not measured, hours and nights stand below it."""
HOURS, NIGHTS = BASE + 34, BASE + 53
LETTER = 7.0
"""Width of a letter of the labels, rather too much than too little."""
GAP = 8.0


def positions(order: Sequence[Moment], width: int = WIDTH) -> list[float]:
    """Horizontal positions: even steps, twice as far between nights."""
    steps = [0.0]
    for before, after in pairwise(order):
        apart = bool(before.night and after.night and before.night != after.night)
        steps.append(steps[-1] + (2.0 if apart else 1.0))
    span = max(steps[-1], 1.0)
    inner = width - LEFT - RIGHT - 20
    middle = inner / 2 if len(order) == 1 else 0.0
    return [LEFT + 10 + middle + inner * step / span for step in steps]


def labels(order: Sequence[Moment], x: Sequence[float], width: int = WIDTH) -> list[str]:
    """Separators between nights, their dates, and the first and last hour of each where there is room."""
    out = []
    nights = list(_nights(order))
    taken = 0.0
    for first, last in nights:
        if last + 1 < len(order):
            edge = (x[last] + x[last + 1]) / 2
            out.append(f'<line class="night" x1="{edge:.1f}" x2="{edge:.1f}" y1="{TOP - 8}" y2="{BASE}"/>')
        hours = [m.time[11:16] for m in order[first : last + 1] if len(m.time) >= 16]
        timed = bool(hours) and x[last] - x[first] > 2 * 5 * LETTER + GAP
        if timed:
            out.append(_text(x[first], HOURS, "", hours[0]))
            out.append(_text(x[last], HOURS, " end", hours[-1]))
        start = (x[first - 1] + x[first]) / 2 if first else 0.0
        end = (x[last] + x[last + 1]) / 2 if last + 1 < len(order) else float(width)
        words = _fitting(order[first].night, timed, end - start)
        half = len(words) * LETTER / 2
        centre = min(max((x[first] + x[last]) / 2, half), width - half)
        if words and centre - half >= taken:
            out.append(_text(centre, NIGHTS, " mid", words))
            taken = centre + half + GAP
    return out


def _nights(order: Sequence[Moment]) -> Iterator[tuple[int, int]]:
    """First and last place of each night; a frame without a night belongs to the one before it."""
    start = 0
    for k in range(1, len(order) + 1):
        if k == len(order) or (order[k].night and order[k].night != order[start].night):
            yield start, k - 1
            start = k


def _fitting(night: str, timed: bool, room: float) -> str:
    """The longest name of a night that has room, else the shortest."""
    if not night:
        return "lights in order" + (", UTC" if timed else "")
    names = [f"night of {night}{', UTC' if timed else ''}", night, night[5:]]
    return next((name for name in names if len(name) * LETTER + GAP <= room), names[-1])


def _text(x: float, y: float, side: str, words: str) -> str:
    return f'<text class="tick{side}" x="{x:.1f}" y="{y}">{escape(words)}</text>'
