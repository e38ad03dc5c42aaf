"""Charts as inline SVG: frames over time with nights apart and set-aside frames marked.

Colours come from the page's style sheet through classes, so that charts follow the light and dark theme;
every plane also has a marker of its own, so that nothing rests on colour alone.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from html import escape
from itertools import pairwise
from typing import Any

from fourlight.core.cfa import PLANES
from fourlight.report.moments import Moment
from fourlight.report.words import counted, digits

__all__ = ["over_time", "ticks"]

WIDTH, HEIGHT = 640, 220
LEFT, RIGHT, TOP, BOTTOM = 58, 12, 16, 44


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
    order: Sequence[Moment], key: str, label: str, *, per_plane: bool, from_zero: bool = False
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
    """
    names = PLANES if per_plane else ("all",)
    used = [moment.reason is None for moment in order]
    series = {name: [_value(m, key, name) for m in order] for name in names}
    known = [
        v for values in series.values() for v, use in zip(values, used, strict=True) if use and v is not None
    ]
    if not known:
        return ""
    marks = ticks(0.0 if from_zero else min(known), max(known))
    x = _positions(order)
    low, high = marks[0], marks[-1]

    def y(value: float) -> float:
        share = min(max((value - low) / max(high - low, 1e-30), 0.0), 1.0)
        return HEIGHT - BOTTOM - share * (HEIGHT - BOTTOM - TOP)

    words = escape(f"{label}, {counted(len(order), 'light')} in order of time")
    out = [f'<svg class="chart" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{words}">']
    out += _axes(marks, y)
    out += _nights(order, x)
    for name in names:
        values = [v if use else None for v, use in zip(series[name], used, strict=True)]
        out += _line(values, x, y, name, order, label)
    for k, moment in enumerate(order):
        if moment.reason is not None:
            level = _middle([series[name][k] for name in names])
            height = HEIGHT - BOTTOM if level is None else y(level)
            out.append(_cross(x[k], height, f"{moment.file}: set aside, {moment.reason}"))
    return "".join(out) + "</svg>"


def _middle(values: Sequence[float | None]) -> float | None:
    known = sorted(v for v in values if v is not None)
    return known[len(known) // 2] if known else None


def _value(moment: Moment, key: str, name: str) -> float | None:
    value = moment.frame.get(key)
    if name != "all":
        value = value.get(name) if isinstance(value, Mapping) else None
    good = isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
    return float(value) if good and value is not None else None


def _positions(order: Sequence[Moment]) -> list[float]:
    """Horizontal positions: even steps, twice as far between nights."""
    steps = [0.0]
    for before, after in pairwise(order):
        apart = bool(before.night and after.night and before.night != after.night)
        steps.append(steps[-1] + (2.0 if apart else 1.0))
    span = max(steps[-1], 1.0)
    inner = WIDTH - LEFT - RIGHT - 20
    middle = inner / 2 if len(order) == 1 else 0.0
    return [LEFT + 10 + middle + inner * step / span for step in steps]


def _axes(marks: Sequence[float], y: Any) -> list[str]:
    out = []
    for mark in marks:
        out.append(
            f'<line class="grid" x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y(mark):.1f}" y2="{y(mark):.1f}"/>'
        )
        out.append(f'<text class="tick end" x="{LEFT - 8}" y="{y(mark) + 4:.1f}">{_mark(mark, marks)}</text>')
    return out


def _mark(value: float, marks: Sequence[float]) -> str:
    step = marks[1] - marks[0] if len(marks) > 1 else 1.0
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))
    if decimals and abs(step * 10**decimals - round(step * 10**decimals)) > 1e-6:
        decimals += 1
    return f"{value:,.{decimals}f}"


def _nights(order: Sequence[Moment], x: Sequence[float]) -> list[str]:
    """Separators between nights, their dates, and the first and last hour of each."""
    out = []
    start = 0
    for k in range(1, len(order) + 1):
        if k < len(order) and (order[k].night == order[start].night or not order[k].night):
            continue
        left, right = x[start], x[k - 1]
        if k < len(order):
            edge = (right + x[k]) / 2
            out.append(
                f'<line class="night" x1="{edge:.1f}" x2="{edge:.1f}" y1="{TOP - 8}" y2="{HEIGHT - BOTTOM}"/>'
            )
        hours = [m.time[11:16] for m in order[start:k] if len(m.time) >= 16]
        base = HEIGHT - BOTTOM
        if hours and right - left > 90:
            out.append(f'<text class="tick" x="{left:.1f}" y="{base + 17}">{escape(hours[0])}</text>')
            out.append(f'<text class="tick end" x="{right:.1f}" y="{base + 17}">{escape(hours[-1])}</text>')
        name = f"night of {order[start].night}" if order[start].night else "frames in order"
        if right - left < 110:
            name = order[start].night or ""
        words = f"{name}, UTC" if hours and right - left > 90 else name
        out.append(
            f'<text class="tick mid" x="{(left + right) / 2:.1f}" y="{base + 35}">{escape(words)}</text>'
        )
        start = k
    return out


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


def _cross(x: float, y: float, words: str) -> str:
    strokes = f"M{x - 4:.1f} {y - 4:.1f}l8 8m0 -8l-8 8"
    return f'<path class="aside" d="{strokes}"><title>{escape(words)}</title></path>'
