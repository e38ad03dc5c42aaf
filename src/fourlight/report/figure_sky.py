"""The picture with its coordinates: a grid of right ascension and declination, its brightest stars, and objects."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from fourlight.report.figure_marks import Labels, Named, draw_object, draw_stars, name_stars
from fourlight.report.figure_style import (
    LIGHT,
    NARROW,
    WIDE,
    Drawn,
    Look,
    blank,
    footed,
    over_picture,
    plain_axes,
    titled,
    wrapped,
)
from fourlight.sky.objects import SkyObject
from fourlight.sky.plate import PlateSolution

__all__ = ["Named", "grid_steps", "sky_figure"]

Float64 = npt.NDArray[np.float64]

TOP_PX = 46
DEC_STEPS = (5.0, 2.0, 1.0, 1 / 2, 1 / 3, 1 / 6, 1 / 12, 1 / 30, 1 / 60, 1 / 120)
RA_STEPS = tuple(
    15 * hours for hours in (2.0, 1.0, 1 / 2, 1 / 3, 1 / 6, 1 / 12, 1 / 30, 1 / 60, 1 / 120, 1 / 360)
)
LINES = 4
"""Lines of a kind that the picture should have at least."""
INK = "#ffd98a"


def grid_steps(solution: PlateSolution) -> tuple[float, float]:
    """Steps of the grid in right ascension and declination, degrees."""
    short = min(solution.ny, solution.nx) * solution.scale_arcsec / 3600
    dec = next((step for step in DEC_STEPS if short / step >= LINES - 1), DEC_STEPS[-1])
    wide = short / max(np.cos(np.radians(solution.dec_deg)), 0.02)
    return next((step for step in RA_STEPS if wide / step >= LINES - 1), RA_STEPS[-1]), dec


def sky_figure(
    picture: npt.NDArray[np.uint8], window: Sequence[int], solution: PlateSolution, stars: Sequence[Named],
    objects: Sequence[SkyObject] = (), *, title: str = "Where it is on the sky", width: int = WIDE, look: Look = LIGHT,
) -> Drawn:  # fmt: skip
    """The picture under a grid of coordinates, with the names of stars and objects.

    Parameters
    ----------
    picture : (my, mx, 3) uint8
        Of the window, first row on top, reduced or not.
    window : y0, y1, x0, x1
        What it shows of the stack, pixels.
    solution : PlateSolution
        Of the stack.
    stars : sequence of Named
    objects : sequence of SkyObject
        The most prominent first: names that find no room are left out.
    title : str
    width : int
    look : Look
    """
    side = 12 if width <= NARROW else 24
    across = width - 2.0 * side
    y0, y1, x0, x1 = window
    stars = [each for each in stars if x0 <= each[1] < x1 and y0 <= each[2] < y1]
    down = across * (y1 - y0) / (x1 - x0)
    said = wrapped(_note(solution, objects=bool(objects)), across, 13)
    figure = blank(width, TOP_PX + down + 18 * (said.count("\n") + 1) + 16, look)
    axes = plain_axes(figure, (side, TOP_PX, across, down), look)
    axes.set_axis_off()
    labels = Labels(axes, window, across)
    draw_stars(labels, stars)
    for each in objects:
        draw_object(labels, each, solution)
    name_stars(labels, stars)
    _draw_grid(labels, solution)
    axes.set_xlim(x0 - 0.5, x1 - 0.5)
    axes.set_ylim(y1 - 0.5, y0 - 0.5)
    titled(figure, title, look, width <= NARROW)
    footed(figure, said, side, look)
    named = ", ".join(name for name, _, _ in stars) or "none"
    known = ", ".join(each.name for each in objects) or "none"
    said = f"{title}: the picture under a grid of coordinates; objects: {known}; named stars: {named}."
    return over_picture(figure, said, picture, (side, TOP_PX, across, down))


def _note(solution: PlateSolution, *, objects: bool) -> str:
    ra, dec = grid_steps(solution)
    broken = "Broken lines are objects in the size that catalogues give. " if objects else ""
    return (
        f"Lines of right ascension every {_hours(ra, step=True)} and of declination every {_degrees(dec)}, J2000. "
        f"{broken}Stars without a proper name bear their place."
    )


def _hours(ra_deg: float, *, step: bool = False) -> str:
    """A right ascension, or a step of it, in hours, minutes and seconds as far as they count.

    >>> _hours(303.75), _hours(10.5), _hours(15.0, step=True), _hours(0.125, step=True)
    ('20h 15m', '0h 42m', '1h', '30s')
    """
    seconds = round(ra_deg * 240)
    parts = (seconds // 3600, "h"), (seconds % 3600 // 60, "m"), (seconds % 60, "s")
    return " ".join(f"{value}{unit}" for value, unit in parts if value or (unit == "h" and not step))


def _degrees(dec_deg: float) -> str:
    """A declination, or a step of it.

    >>> _degrees(46.5), _degrees(-0.25), _degrees(1 / 120)
    ('46° 30′', '−15′', '30″')
    """
    arcsec = round(abs(dec_deg) * 3600)
    parts = (arcsec // 3600, "°"), (arcsec % 3600 // 60, "′"), (arcsec % 60, "″")
    said = " ".join(f"{value}{unit}" for value, unit in parts if value) or "0°"
    return f"−{said}" if dec_deg < 0 else said


def _draw_grid(labels: Labels, solution: PlateSolution) -> None:
    """Lines of the grid, each with its value at an end where nothing else is written."""
    y0, y1, x0, x1 = labels.window
    y, x = (axis.ravel() for axis in np.mgrid[y0 : y1 - 1 : 25j, x0 : x1 - 1 : 25j])
    ra, dec = solution.sky(x, y)
    off = (ra - solution.ra_deg + 180) % 360 - 180
    step_ra, step_dec = grid_steps(solution)
    low, high = max(float(dec.min()) - step_dec, -90.0), min(float(dec.max()) + step_dec, 90.0)
    first, last = float(off.min()) + solution.ra_deg, float(off.max()) + solution.ra_deg
    along, around = np.linspace(low, high, 200), np.linspace(first - step_ra, last + step_ra, 400)
    for value in step_ra * np.arange(np.ceil(first / step_ra), last // step_ra + 1):
        _draw_line(labels, solution.pixel(np.full(200, value), along), _hours(float(value) % 360))
    for value in step_dec * np.arange(np.ceil(max(low, -89.9) / step_dec), min(high, 89.9) // step_dec + 1):
        _draw_line(labels, solution.pixel(around, np.full(400, value)), _degrees(float(value)))


def _draw_line(labels: Labels, line: tuple[Float64, Float64], label: str) -> None:
    """A line within the picture."""
    y0, y1, x0, x1 = labels.window
    x, y = line
    inside = np.flatnonzero((x > x0) & (x < x1 - 1) & (y > y0) & (y < y1 - 1))
    if len(inside) < 2:
        return
    shown = np.full(len(x), np.nan)
    shown[inside] = x[inside]
    labels.axes.plot(shown, y, color=INK, linewidth=0.7, alpha=0.55)
    ends = sorted((inside[0], inside[-1]), key=lambda k: min(x[k] - x0, y[k] - y0))
    labels.write(label, [(float(x[end]), float(y[end])) for end in ends], INK, 11)
