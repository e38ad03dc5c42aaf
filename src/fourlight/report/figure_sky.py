"""The picture with its coordinates: a grid of right ascension and declination, and its brightest stars."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

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
from fourlight.sky.plate import PlateSolution

__all__ = ["Named", "grid_steps", "sky_figure"]

Float64 = npt.NDArray[np.float64]
Named = tuple[str, float, float]
"""Name of a star and its pixel."""

TOP_PX = 46
DEC_STEPS = (5.0, 2.0, 1.0, 1 / 2, 1 / 3, 1 / 6, 1 / 12, 1 / 30, 1 / 60, 1 / 120)
RA_STEPS = tuple(
    15 * hours for hours in (2.0, 1.0, 1 / 2, 1 / 3, 1 / 6, 1 / 12, 1 / 30, 1 / 60, 1 / 120, 1 / 360)
)
LINES = 4
"""Lines of a kind that the picture should have at least."""
LABEL_PX = (72, 14)
"""Size of a label, pixels of the page."""
PAPER, INK = "#000000", "#ffd98a"


def grid_steps(solution: PlateSolution) -> tuple[float, float]:
    """Steps of the grid in right ascension and declination, degrees."""
    short = min(solution.ny, solution.nx) * solution.scale_arcsec / 3600
    dec = next((step for step in DEC_STEPS if short / step >= LINES - 1), DEC_STEPS[-1])
    wide = short / max(np.cos(np.radians(solution.dec_deg)), 0.02)
    return next((step for step in RA_STEPS if wide / step >= LINES - 1), RA_STEPS[-1]), dec


def sky_figure(
    picture: npt.NDArray[np.uint8], window: Sequence[int], solution: PlateSolution, stars: Sequence[Named],
    *, title: str = "Where it is on the sky", width: int = WIDE, look: Look = LIGHT,
) -> Drawn:  # fmt: skip
    """The picture under a grid of coordinates, with the names of stars.

    Parameters
    ----------
    picture : (my, mx, 3) uint8
        Of the window, first row on top, reduced or not.
    window : y0, y1, x0, x1
        What it shows of the stack, pixels.
    solution : PlateSolution
        Of the stack.
    stars : sequence of Named
    title : str
    width : int
    look : Look
    """
    side = 12 if width <= NARROW else 24
    across = width - 2.0 * side
    y0, y1, x0, x1 = window
    down = across * (y1 - y0) / (x1 - x0)
    said = wrapped(_note(solution), across, 13)
    figure = blank(width, TOP_PX + down + 18 * (said.count("\n") + 1) + 16, look)
    axes = plain_axes(figure, (side, TOP_PX, across, down), look)
    axes.set_axis_off()
    axes.imshow(
        picture, extent=(x0 - 0.5, x1 - 0.5, y1 - 0.5, y0 - 0.5), interpolation="antialiased", aspect="auto"
    )
    written = [_draw_star(axes, name, x, y, window, across) for name, x, y in stars]
    _draw_grid(axes, solution, window, across, written)
    axes.set_xlim(x0 - 0.5, x1 - 0.5)
    axes.set_ylim(y1 - 0.5, y0 - 0.5)
    titled(figure, title, look, width <= NARROW)
    footed(figure, said, side, look)
    named = ", ".join(name for name, _, _ in stars)
    return files(figure, f"{title}: the picture under a grid of coordinates; named stars: {named or 'none'}.")


def _note(solution: PlateSolution) -> str:
    ra, dec = grid_steps(solution)
    return (
        f"Lines of right ascension every {_hours(ra)} and of declination every {_degrees(dec)}, J2000. Stars without a "
        "proper name bear their place as a name."
    )


def _hours(ra_deg: float) -> str:
    """A right ascension, or a step of it, in hours, minutes and seconds as far as they count.

    >>> _hours(303.75), _hours(15.0), _hours(0.125)
    ('20h 15m', '1h', '30s')
    """
    seconds = round(ra_deg * 240)
    parts = (seconds // 3600, "h"), (seconds % 3600 // 60, "m"), (seconds % 60, "s")
    return " ".join(f"{value}{unit}" for value, unit in parts if value) or "0h"


def _degrees(dec_deg: float) -> str:
    """A declination, or a step of it.

    >>> _degrees(46.5), _degrees(-0.25), _degrees(1 / 120)
    ('46° 30′', '−15′', '30″')
    """
    arcsec = round(abs(dec_deg) * 3600)
    parts = (arcsec // 3600, "°"), (arcsec % 3600 // 60, "′"), (arcsec % 60, "″")
    said = " ".join(f"{value}{unit}" for value, unit in parts if value) or "0°"
    return f"−{said}" if dec_deg < 0 else said


def _draw_grid(
    axes: Any,
    solution: PlateSolution,
    window: Sequence[int],
    across: float,
    written: list[tuple[float, float]],
) -> None:
    """Lines of the grid, each with its value at an end where nothing else is written."""
    y0, y1, x0, x1 = window
    y, x = (axis.ravel() for axis in np.mgrid[y0 : y1 - 1 : 25j, x0 : x1 - 1 : 25j])
    ra, dec = solution.sky(x, y)
    off = (ra - solution.ra_deg + 180) % 360 - 180
    step_ra, step_dec = grid_steps(solution)
    low, high = max(float(dec.min()) - step_dec, -90.0), min(float(dec.max()) + step_dec, 90.0)
    first, last = float(off.min()) + solution.ra_deg, float(off.max()) + solution.ra_deg
    along, around = np.linspace(low, high, 200), np.linspace(first - step_ra, last + step_ra, 400)
    for value in step_ra * np.arange(np.ceil(first / step_ra), last // step_ra + 1):
        line = solution.pixel(np.full(200, value), along)
        _draw_line(axes, line, _hours(float(value) % 360), window, across, written)
    for value in step_dec * np.arange(np.ceil(max(low, -89.9) / step_dec), min(high, 89.9) // step_dec + 1):
        line = solution.pixel(around, np.full(400, value))
        _draw_line(axes, line, _degrees(float(value)), window, across, written)


def _draw_line(
    axes: Any, line: tuple[Float64, Float64], label: str, window: Sequence[int], across: float,
    written: list[tuple[float, float]],
) -> None:  # fmt: skip
    """A line within the picture; ``written`` holds the places of labels and gains that of its own."""
    y0, y1, x0, x1 = window
    x, y = line
    inside = np.flatnonzero((x > x0) & (x < x1 - 1) & (y > y0) & (y < y1 - 1))
    if len(inside) < 2:
        return
    shown = np.full(len(x), np.nan)
    shown[inside] = x[inside]
    axes.plot(shown, y, color=INK, linewidth=0.7, alpha=0.55)
    pixel = (x1 - x0) / across
    long, high = LABEL_PX
    for end in sorted((inside[0], inside[-1]), key=lambda k: min(x[k] - x0, y[k] - y0)):
        at_x = float(np.clip(x[end], x0 + 0.55 * long * pixel, x1 - 0.55 * long * pixel))
        at_y = float(np.clip(y[end], y0 + high * pixel, y1 - high * pixel))
        if all(abs(at_x - u) > long * pixel or abs(at_y - v) > 1.2 * high * pixel for u, v in written):
            written.append((at_x, at_y))
            axes.text(
                at_x, at_y, label, color=INK, fontsize=points(11), clip_on=True, ha="center", va="center",
                bbox={"facecolor": PAPER, "alpha": 0.45, "edgecolor": "none", "pad": 1.5},
            )  # fmt: skip
            return


def _draw_star(
    axes: Any, name: str, x: float, y: float, window: Sequence[int], across: float
) -> tuple[float, float]:
    """A ring around a star, and its name beside it; the middle of what is written."""
    x0, x1 = window[2:]
    pixel = (x1 - x0) / across
    left = x > (x0 + x1) / 2
    axes.plot(
        [x], [y], marker="o", markersize=points(12), fillstyle="none", color="#ffffff", markeredgewidth=0.9
    )
    axes.text(
        x + (-10 if left else 10) * pixel, y, name, color="#ffffff", fontsize=points(11), va="center", clip_on=True,
        ha="right" if left else "left", bbox={"facecolor": PAPER, "alpha": 0.35, "edgecolor": "none", "pad": 1.0},
    )  # fmt: skip
    return x + (-1 if left else 1) * LABEL_PX[0] / 2 * pixel, y
