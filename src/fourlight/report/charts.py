"""Charts as inline SVG: frames over time with nights apart and set-aside frames marked.

Colours come from the page's style sheet through classes, so that charts follow the light and dark theme;
every plane also has a marker of its own, so that nothing rests on colour alone.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from html import escape
from typing import Any

from fourlight.core.cfa import PLANES
from fourlight.report.moments import Moment
from fourlight.report.timeaxis import BASE, LEFT, RIGHT, SLIM, TOP, WIDTH, labels, positions
from fourlight.report.words import counted, digits

__all__ = ["over_time", "ticks"]

HEIGHT = 236
WIDEST = 3.0
"""Lights set aside may stretch the axis to so many times the span of those used (taste, no source)."""


def ticks(low: float, high: float, count: int = 4) -> list[float]:
    """Round numbers (1, 2, 2.5, 5 times a power of ten) that span an interval.

    >>> ticks(0, 9.3)
    [0.0, 2.5, 5.0, 7.5, 10.0]
    """
    if high - low <= 1e-9 * abs(high):
        margin = 0.1 * abs(high) or 0.5
        low, high = low - margin, high + margin
    raw = (high - low) / count
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(m * power for m in (1, 2, 2.5, 5, 10) if m * power >= raw * 0.999)
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    return [round(k * step, 12) for k in range(first, last + 1)]


def over_time(
    order: Sequence[Moment],
    key: str,
    label: str,
    *,
    per_plane: bool,
    from_zero: bool = False,
    width: int = WIDTH,
    factor: float = 1.0,
) -> str:
    """Chart of one measured number for all frames in order of time; empty if nothing was measured.

    Parameters
    ----------
    order : sequence of Moment
        Frames.
    key : str
        Key of the number in a frame's summary; with ``per_plane`` a mapping by plane.
    label : str
        What the axis shows, with its unit.
    per_plane : bool
        One line per plane, or one line.
    from_zero : bool
        The axis starts at 0.
    width : int
        `WIDTH`, or `SLIM` for narrow screens.
    factor : float
        From the number to what the axis shows.
    """
    names = PLANES if per_plane else ("all",)
    series = [{name: _value(m, key, name, factor) for name in names} for m in order]
    used = [_known(values) for values, m in zip(series, order, strict=True) if m.reason is None]
    aside = [_middle(values) for values, m in zip(series, order, strict=True) if m.reason is not None]
    marks = _axis([v for values in used for v in values], [v for v in aside if v is not None], from_zero)
    if not marks:
        return ""
    x = positions(order, width)

    def y(value: float) -> float:
        return BASE - (value - marks[0]) / max(marks[-1] - marks[0], 1e-30) * (BASE - TOP)

    words = escape(f"{label}, {counted(len(order), 'light')} in order of time")
    kind = "chart slim" if width == SLIM else "chart"
    out = [f'<svg class="{kind}" viewBox="0 0 {width} {HEIGHT}" role="img" aria-label="{words}">']
    out += _grid(marks, y, width)
    out += labels(order, x, width)
    for name in names:
        line = [v[name] if m.reason is None else None for v, m in zip(series, order, strict=True)]
        out += _line(line, x, y, name, order, label)
    for position, moment, values in zip(x, order, series, strict=True):
        if moment.reason is not None:
            out.append(_aside_mark(position, _middle(values), marks, y, moment))
    return "".join(out) + "</svg>"


def _axis(used: Sequence[float], aside: Sequence[float], from_zero: bool) -> list[float]:
    """Marks that span the lights used, and those set aside as far as they do not squeeze the others together."""
    if not used:
        return []
    low, high = min(used), max(used)
    reach = WIDEST * max(high - low, 0.1 * abs(high))
    near = [value for value in aside if high - reach <= value <= low + reach]
    return ticks(0.0 if from_zero else min([low, *near]), max([high, *near]))


def _known(values: Mapping[str, float | None]) -> list[float]:
    return [v for v in values.values() if v is not None]


def _middle(values: Mapping[str, float | None]) -> float | None:
    known = sorted(_known(values))
    return known[len(known) // 2] if known else None


def _aside_mark(x: float, value: float | None, marks: Sequence[float], y: Any, moment: Moment) -> str:
    """A cross at the measured value; an arrow where it lies off the axis; a cross below the axis without one."""
    words = f"{moment.file}: set aside, {moment.reason}"
    if value is None:
        return _cross("aside under", x, BASE + 12, f"{words}; this number was not measured")
    words = f"{words}; {digits(value)}"
    if marks[0] <= value <= marks[-1]:
        return _cross("aside", x, y(value), words)
    up = value > marks[-1]
    strokes = f"M{x - 5:.1f} {TOP + 7}l5 -7l5 7" if up else f"M{x - 5:.1f} {BASE - 7}l5 7l5 -7"
    return f'<path class="aside off" d="{strokes}"><title>{escape(words)}, off this axis</title></path>'


def _value(moment: Moment, key: str, name: str, factor: float) -> float | None:
    value = moment.frame.get(key)
    if name != "all":
        value = value.get(name) if isinstance(value, Mapping) else None
    good = isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
    return factor * float(value) if good and value is not None else None


def _grid(marks: Sequence[float], y: Any, width: int) -> list[str]:
    out = []
    for mark in marks:
        out.append(
            f'<line class="grid" x1="{LEFT}" x2="{width - RIGHT}" y1="{y(mark):.1f}" y2="{y(mark):.1f}"/>'
        )
        out.append(f'<text class="tick end" x="{LEFT - 8}" y="{y(mark) + 4:.1f}">{_mark(mark, marks)}</text>')
    return out


def _mark(value: float, marks: Sequence[float]) -> str:
    step = marks[1] - marks[0] if len(marks) > 1 else 1.0
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))
    if decimals and abs(step * 10**decimals - round(step * 10**decimals)) > 1e-6:
        decimals += 1
    return f"{value:,.{decimals}f}"


def _line(
    values: Sequence[float | None], x: Sequence[float], y: Any, name: str, order: Sequence[Moment], label: str
) -> list[str]:
    runs: list[list[str]] = [[]]
    out = []
    night = ""
    for value, position, moment in zip(values, x, order, strict=True):
        if moment.night != night:
            runs.append([])
            night = moment.night
        if value is None:
            continue
        runs[-1].append(f"{position:.1f},{y(value):.1f}")
        words = f"{moment.file}{'' if name == 'all' else ' ' + name}: {digits(value)} ({label})"
        out.append(_marker(name, position, y(value), words))
    lines = [f'<polyline class="l-{name}" points="{" ".join(run)}"/>' for run in runs if len(run) > 1]
    return lines + out


def _marker(name: str, x: float, y: float, words: str) -> str:
    title = f"<title>{escape(words)}</title>"
    if name == "G1":
        return f'<rect class="f-{name}" x="{x - 3:.1f}" y="{y - 3:.1f}" width="6" height="6">{title}</rect>'
    if name == "G2":
        corners = f"{x:.1f},{y - 4.2:.1f} {x + 4.2:.1f},{y:.1f} {x:.1f},{y + 4.2:.1f} {x - 4.2:.1f},{y:.1f}"
        return f'<polygon class="f-{name}" points="{corners}">{title}</polygon>'
    if name == "B":
        corners = f"{x:.1f},{y - 4:.1f} {x + 4:.1f},{y + 3.2:.1f} {x - 4:.1f},{y + 3.2:.1f}"
        return f'<polygon class="f-{name}" points="{corners}">{title}</polygon>'
    return f'<circle class="f-{name}" cx="{x:.1f}" cy="{y:.1f}" r="3.2">{title}</circle>'


def _cross(kind: str, x: float, y: float, words: str) -> str:
    strokes = f"M{x - 4:.1f} {y - 4:.1f}l8 8m0 -8l-8 8"
    return f'<path class="{kind}" d="{strokes}"><title>{escape(words)}</title></path>'
