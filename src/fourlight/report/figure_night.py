"""Chart of a night: target and Moon before the sky as dark as it is, and how bright the sky is at the target."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from fourlight.core.airmass import air_mass
from fourlight.report.charts import ticks
from fourlight.report.clock import Clock
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
from fourlight.sky.crossings import SUNRISE
from fourlight.stages.plan_night import Night, stretches
from fourlight.stages.plan_sight import Sight
from fourlight.stages.plan_whole import Planned

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["night_figure"]

Float64 = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

SKY = (("#f3e3c0", 4.0), ("#e3b48a", 0.0), ("#8a7fa6", -6.0), ("#45507c", -12.0), ("#1b2238", -18.0))
"""Colour of the sky by the altitude of the Sun, degrees."""
TARGET, MOON, PALE = "#ffd34d", "#dfe4ee", "#aab3c9"
"""On the dark sky; told apart by width and kind of line too."""
GROUND = "#5d4f3c"
BRIGHTER_MAG = 0.02
"""Moonlight that is worth a second curve."""
LOW_DEG = 5.0
MASSES = (1.0, 1.2, 1.5, 2.0, 3.0, 5.0)


def night_figure(planned: Planned, clock: Clock, *, width: int = WIDE, look: Look = LIGHT) -> Drawn:
    """Altitudes over the night with the best window, and below it the brightness of the sky at the target.

    Parameters
    ----------
    planned : Planned
        With or without a target: without one, the Moon alone is drawn.
    clock : Clock
        Of the times on the axis.
    width : int
        `WIDE` or `NARROW`.
    look : Look
    """
    night, narrow = planned.night, width <= NARROW
    left, right, top = (64, 58, 74) if narrow else (74, 66, 78)
    high, low = (230, 120) if narrow else (300, 150)
    sight = planned.sight
    told = sight if sight is not None and _told(night, sight).any() else None
    foot = wrapped(_foot(planned, clock), width - left - right + 20, 13)
    down = top + high + (28 + low if told else 0) + 62 + 18 * (foot.count("\n") + 1)
    figure = blank(width, down, look)
    hours = _hours(night)
    span = _span(night, hours)
    axes = plain_axes(figure, (left, top, width - left - right, high), look)
    _sky(axes, night, hours, span)
    _curves(axes, planned, hours, look, narrow=narrow)
    _altitudes(axes, span, look, first=told is None, clock=clock, night=night, narrow=narrow)
    if told is not None:
        below = plain_axes(figure, (left, top + high + 28, width - left - right, low), look)
        _brightness(below, night, told, hours, span, look)
        _time_axis(below, night, clock, span, look, narrow=narrow)
    _legend(axes, narrow=narrow)
    place = "The night" if sight is None else sight.place.title
    where = "" if narrow else f" at {night.site.name}"
    titled(figure, f"{place}, {night.evening:%Y-%m-%d}{where}", look, narrow)
    footed(figure, foot, left, look)
    words = f"Altitude of {place} and of the Moon over the night of {night.evening}; {_foot(planned, clock)}"
    return files(figure, words)


def _legend(axes: Axes, *, narrow: bool) -> None:
    """On the colour of the night, before which the lines are drawn."""
    axes.legend(
        loc="lower left", bbox_to_anchor=(0.0, 1.02), ncols=4, frameon=True, facecolor=SKY[-1][0], framealpha=1.0,
        edgecolor=SKY[-1][0], fancybox=False, fontsize=points(12 if narrow else 13), labelcolor=MOON, borderaxespad=0.0,
        handlelength=1.2 if narrow else 1.8, handletextpad=0.5, columnspacing=0.7 if narrow else 1.2, borderpad=0.35,
    )  # fmt: skip


def _hours(night: Night) -> Float64:
    """Hours since the noon before."""
    return np.asarray((night.moments_s - night.moments_s[0]) / 3600)


def _span(night: Night, hours: Float64) -> tuple[float, float]:
    """From half an hour before sunset to half an hour after sunrise; all of it where the Sun does not rise."""
    down = hours[night.sun.altitude_deg < SUNRISE]
    return max(0.0, float(down[0]) - 0.5), min(24.0, float(down[-1]) + 0.5)


def _sky(axes: Axes, night: Night, hours: Float64, span: tuple[float, float]) -> None:
    """The background, as dark as the Sun leaves the sky."""
    from matplotlib.colors import to_rgb

    levels = np.array([level for _, level in SKY])[::-1]
    colours = np.array([to_rgb(colour) for colour, _ in SKY])[::-1]
    steps = np.linspace(*span, 600)
    sun = np.interp(steps, hours, night.sun.altitude_deg)
    row = np.stack([np.interp(sun, levels, colours[:, k]) for k in range(3)], axis=-1)
    axes.imshow(row[None], extent=(*span, 0, 90), aspect="auto", interpolation="bilinear", zorder=0)


def _curves(axes: Axes, planned: Planned, hours: Float64, look: Look, *, narrow: bool) -> None:
    night = planned.night
    lit = f"Moon {100 * night.lit_share:.0f} %"
    axes.plot(
        hours, night.moon.altitude_deg, color=MOON, linewidth=1.8, linestyle=(0, (5, 3)), zorder=3, path_effects=_rim(),
        label=lit if narrow else f"{lit} lit",
    )  # fmt: skip
    if planned.sight is not None:
        _target(axes, night, planned.sight, hours, narrow=narrow)
        _marks(axes, night, planned.sight)


def _rim() -> list[Any]:
    """A dark rim for pale lines, which keeps them visible before the bright sky."""
    from matplotlib.patheffects import withStroke

    return [withStroke(linewidth=3.6, foreground=SKY[-1][0], alpha=0.6)]


def _target(axes: Axes, night: Night, sight: Sight, hours: Float64, *, narrow: bool) -> None:
    """The target, thick where it is usable, and what hides it."""
    altitude = sight.target.altitude_deg
    axes.plot(hours, altitude, color=TARGET, linewidth=1.5, zorder=4, label="target", path_effects=_rim())
    for k, (a, b) in enumerate(stretches(sight.usable)):
        axes.plot(
            hours[a : b + 1], altitude[a : b + 1], color=TARGET, linewidth=4.4, solid_capstyle="butt", zorder=5,
            label=None if k else "usable",
        )  # fmt: skip
    if night.site.skyline is not None:
        hidden = np.clip(night.site.skyline.at(sight.target.azimuth_deg), 0, 90)
        called = "skyline" if narrow else "skyline below it"
        axes.fill_between(hours, 0, hidden, color=GROUND, alpha=0.92, linewidth=0, zorder=2, label=called)


def _marks(axes: Axes, night: Night, sight: Sight) -> None:
    """The altitude from which it counts, the best stretch, and the meridian."""
    axes.axhline(night.goal.least_altitude_deg, color=PALE, linewidth=1.0, linestyle=(0, (1, 2)), zorder=2)
    if sight.best is not None:
        start, end = ((at - night.moments_s[0]) / 3600 for at in sight.best[:2])
        axes.plot([start, end], [86.5, 86.5], color="white", linewidth=5, solid_capstyle="butt", zorder=6)
        side = ("left", start) if end - start > 2.2 or start < 12 else ("right", end)
        axes.annotate(
            "best", (side[1], 86.5), xytext=(2 if side[0] == "left" else -2, -6), textcoords="offset points",
            ha=side[0], va="top", fontsize=points(13), color="white", zorder=6,
        )  # fmt: skip
    for at in sight.meridian_s:
        axes.axvline(
            (at - night.moments_s[0]) / 3600, color=PALE, linewidth=0.9, linestyle=(0, (4, 3)), zorder=2
        )


def _altitudes(
    axes: Axes,
    span: tuple[float, float],
    look: Look,
    *,
    first: bool,
    clock: Clock,
    night: Night,
    narrow: bool,
) -> None:
    axes.set_ylim(0, 90)
    axes.set_xlim(*span)
    axes.set_yticks(range(0, 91, 15))
    axes.set_ylabel("Altitude, degrees", fontsize=points(13), color=look.soft)
    masses = np.asarray(air_mass(np.arange(5.0, 90.01, 0.05)))
    beside = axes.twinx()
    for side in beside.spines.values():
        side.set_visible(False)
    places = [float(np.interp(-mass, -masses, np.arange(5.0, 90.01, 0.05))) for mass in MASSES]
    beside.set_ylim(0, 90)
    beside.set_yticks(places, [f"{mass:.1f}" for mass in MASSES])
    beside.tick_params(colors=look.soft, labelsize=points(13), length=0, pad=5)
    beside.set_ylabel("Air mass", fontsize=points(13), color=look.soft)
    if first:
        _time_axis(axes, night, clock, span, look, narrow=narrow)
    else:
        axes.set_xticks([])


def _brightness(
    axes: Axes, night: Night, sight: Sight, hours: Float64, span: tuple[float, float], look: Look
) -> None:
    """V of the sky at the target, faint below: with the Moon, and what it would be without."""
    shown = _told(night, sight)
    mag, dark = (np.where(shown, part, np.nan) for part in (sight.sky.mag, sight.sky.dark_mag))
    lit = shown & (sight.sky.dark_mag - sight.sky.mag > BRIGHTER_MAG)
    if lit.any():
        axes.fill_between(hours, dark, mag, where=lit, color=look.channel["B"], alpha=0.18, linewidth=0)
        axes.plot(hours, dark, color=look.soft, linewidth=1.2, linestyle=(0, (1, 2)))
    axes.plot(hours, mag, color=look.channel["B"], linewidth=1.9)
    usable = np.where(sight.usable, mag, np.nan)
    axes.plot(hours, usable, color=look.channel["B"], linewidth=4.2, solid_capstyle="butt")
    known = np.concatenate([mag[shown], dark[shown]])
    low, high = float(known.min()), float(known.max())
    middle, half = (low + high) / 2, max((high - low) / 2 * 1.12, 0.3)
    axes.set_ylim(middle + half, middle - half)
    axes.set_ylabel("Sky, mag/arcsec²", fontsize=points(13), color=look.soft)
    axes.set_yticks([mark for mark in ticks(middle - half, middle + half, 5) if abs(mark - middle) <= half])
    axes.grid(axis="y", color=look.rule, linewidth=0.9)
    axes.set_axisbelow(True)
    axes.set_xlim(*span)


def _time_axis(
    axes: Axes, night: Night, clock: Clock, span: tuple[float, float], look: Look, *, narrow: bool
) -> None:
    """Full hours of the clock."""
    start = clock.at(float(night.moments_s[0]) + span[0] * 3600).replace(minute=0).timestamp()
    step = next(step for step in (1, 2, 3, 4, 6) if (span[1] - span[0]) / step <= (6 if narrow else 13))
    places, names = [], []
    for k in range(1, 27):
        # hours that pass, not those of the clock, which may leave one out or have one twice
        at = clock.at(start + 3600 * k)
        place = (start - night.moments_s[0]) / 3600 + k
        if at.hour % step == 0 and span[0] <= place <= span[1]:
            places.append(place)
            names.append(f"{at:%H}" if narrow else f"{at:%H:%M}")
    axes.set_xticks(places, names)
    axes.set_xlabel(
        f"Time, {clock.name}" + (", hours" if narrow else ""), fontsize=points(13), color=look.soft
    )


def _told(night: Night, sight: Sight) -> Bools:
    """When the brightness of the sky at the target is told: in the dark, with the target well above the horizon."""
    return np.asarray(night.dark_now & (sight.target.altitude_deg > LOW_DEG))


def _foot(planned: Planned, clock: Clock) -> str:
    night = planned.night
    dark = ", ".join(f"{clock.hm(a)} to {clock.hm(b)}" for a, b in night.dark)
    words = f"Dark {dark} (Sun {night.goal.sun_below_deg:g} degrees down)."
    sight = planned.sight
    if sight is None:
        return words
    if sight.best is not None:
        words += f" Best {clock.hm(sight.best[0])} to {clock.hm(sight.best[1])}."
    if sight.meridian_s:
        words += f" Meridian at {', '.join(clock.hm(at) for at in sight.meridian_s)} (dashes)."
    words += f" Dots: {night.goal.least_altitude_deg:g} degrees, from which it counts."
    if (_told(night, sight) & (sight.sky.dark_mag - sight.sky.mag > BRIGHTER_MAG)).any():
        words += " Below: dots without the Moon."
    return words
