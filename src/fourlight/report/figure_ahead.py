"""Chart of the nights ahead: every night as a column from evening to morning, and the hours of each below."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from fourlight.report.figure_style import (
    LIGHT,
    NARROW,
    WIDE,
    Drawn,
    Look,
    blank,
    files,
    footed,
    plain_axes,
    points,
    titled,
    wrapped,
)
from fourlight.stages.plan_ahead import DAY, MOONLESS, MOONLIT, READY, TWILIGHT, UP, Ahead
from fourlight.stages.plan_whole import Planned

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["ahead_figure"]

COLOURS = {
    DAY: "#f4efe2", TWILIGHT: "#b9b3c9", MOONLIT: "#6d7fa8", MOONLESS: "#1b2238", UP: "#b5853a", READY: "#ffd34d",
}  # fmt: skip
NAMED = {
    DAY: "day", TWILIGHT: "twilight", MOONLIT: "Moon up", MOONLESS: "dark, no Moon", UP: "target, Moon up",
    READY: "target, no Moon",
}  # fmt: skip
SHOWN = (TWILIGHT, MOONLIT, MOONLESS, UP, READY)


def ahead_figure(planned: Planned, *, width: int = WIDE, look: Look = LIGHT) -> Drawn:
    """Nights ahead as columns of what each moment is good for, and hours of each night below.

    Parameters
    ----------
    planned : Planned
        With nights ahead.
    width : int
        `WIDE` or `NARROW`.
    look : Look
    """
    ahead, narrow = planned.ahead, width <= NARROW
    assert ahead is not None
    place = planned.wanted.place
    left, right, top = (58, 16, 122) if narrow else (68, 26, 82)
    high, low = (220, 120) if narrow else (300, 150)
    foot = wrapped(_foot(planned), width - left - right, 13)
    figure = blank(width, top + high + 26 + low + 46 + 18 * (foot.count("\n") + 1), look)
    above = plain_axes(figure, (left, top, width - left - right, high), look)
    _carpet(above, ahead, look)
    below = plain_axes(figure, (left, top + high + 26, width - left - right, low), look)
    _hours(below, ahead, look, with_target=place is not None)
    _dates(below, ahead, narrow=narrow)
    kinds = [kind for kind in SHOWN if (ahead.states == kind).any()]
    from matplotlib.patches import Patch

    above.legend(
        handles=[Patch(facecolor=COLOURS[kind], label=NAMED[kind]) for kind in kinds], loc="lower left",
        bbox_to_anchor=(0.0, 1.02), ncols=2 if narrow else len(kinds), frameon=False, fontsize=points(13),
        labelcolor=look.ink, handlelength=1.1, borderaxespad=0.0, columnspacing=1.2,
    )  # fmt: skip
    what = "Dark hours" if place is None else place.title
    start = "" if narrow else f" from {ahead.evenings[0]}"
    titled(figure, f"{what}, {len(ahead.evenings)} nights{start}", look, narrow)
    footed(figure, foot, left, look)
    return files(
        figure,
        f"Nights from {ahead.evenings[0]} to {ahead.evenings[-1]}: what each moment is good for, and hours",
    )


def _carpet(axes: Axes, ahead: Ahead, look: Look) -> None:
    from matplotlib.colors import to_rgb

    table = np.array([to_rgb(COLOURS[kind]) for kind in sorted(COLOURS)])
    count, steps = ahead.states.shape
    night = np.flatnonzero((ahead.states != DAY).any(axis=0))
    first, last = int(night[0]), int(night[-1]) + 1
    hours = (np.array([first, last]) / steps * 24) - 12
    axes.imshow(
        table[ahead.states[:, first:last].T],
        extent=(0, count, hours[1], hours[0]),
        aspect="auto",
        interpolation="nearest",
    )
    ticks = [tick for tick in range(-12, 13, 2) if hours[0] <= tick <= hours[1]]
    axes.set_yticks(ticks, [f"{tick:+d}" if tick else "0" for tick in ticks])
    axes.set_ylabel("Hours from midnight", fontsize=points(13), color=look.soft)
    axes.set_xticks([])


def _hours(axes: Axes, ahead: Ahead, look: Look, *, with_target: bool) -> None:
    """Steps of one night each: dark, of that without the Moon, of that with the target."""
    edges = np.arange(len(ahead.evenings) + 1)
    layers = [(ahead.dark_h, MOONLIT), (ahead.moonless_h, MOONLESS)]
    if with_target:
        layers.append((ahead.ready_h, READY))
    for hours, kind in layers:
        axes.stairs(hours, edges, fill=True, color=COLOURS[kind], linewidth=0)
    axes.set_xlim(0, len(ahead.evenings))
    top = max(1.0, float(ahead.dark_h.max()))
    axes.set_ylim(0, top * 1.04)
    axes.set_yticks([tick for tick in (0, 4, 8, 12, 16, 20, 24) if tick <= top * 1.04])
    axes.set_ylabel("Hours a night", fontsize=points(13), color=look.soft)


def _dates(axes: Axes, ahead: Ahead, *, narrow: bool) -> None:
    """First days of months, or of weeks where there are few."""
    count = len(ahead.evenings)
    if count > 62:
        places = [k for k, day in enumerate(ahead.evenings) if day.day == 1]
        room = 4 if narrow else 13
        places = places[:: max(1, -(-len(places) // room))]
        names = [f"{ahead.evenings[k]:%b}\n{ahead.evenings[k]:%Y}" if k == places[0] or ahead.evenings[k].month == 1
                 else f"{ahead.evenings[k]:%b}" for k in places]  # fmt: skip
    else:
        step = max(1, -(-count // (4 if narrow else 9)))
        places = list(range(0, count, step))
        names = [f"{ahead.evenings[k]:%b} {ahead.evenings[k].day}" for k in places]
    axes.set_xticks([place + 0.5 for place in places], names)


def _foot(planned: Planned) -> str:
    wanted = planned.wanted
    down = wanted.goal.sun_below_deg
    words = f"Midnight of the mean Sun over {wanted.site.name}; dark with the Sun {down:g} degrees down"
    if wanted.place is not None:
        words += f"; target from {wanted.goal.least_altitude_deg:g} degrees on"
        words += ", clear of the skyline" if wanted.site.skyline else ""
    ahead = planned.ahead
    assert ahead is not None
    last = ahead.ready_h if wanted.place is not None else ahead.moonless_h
    what = "with the target and without the Moon" if wanted.place is not None else "dark and without the Moon"
    return f"{words}. In all {last.sum():.0f} hours {what}; nights count from their evening."
