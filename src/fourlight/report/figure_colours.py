"""Figure of the colours of stars: measured against catalogue, and what each star says of each plane."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from fourlight.core.cfa import COLOURS
from fourlight.report.figure_style import (
    LIGHT,
    NAMES,
    NARROW,
    WIDE,
    Drawn,
    Look,
    blank,
    files,
    footed,
    line_of,
    plain_axes,
    points,
    titled,
    wrapped,
)
from fourlight.sky.starcolours import SUN_B_V
from fourlight.sky.starspectra import BLUEST, REDDEST
from fourlight.stages.colour_calibration import ColourCalibration
from fourlight.stages.star_fluxes import StarFluxes

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["colours_figure"]

Float64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]

TOP_PX, HIGH_PX, GAP_PX = 66, 360, 78
EDGE = 0.93
"""Of that range: where stars are drawn that lie beyond it."""
LEAST_RANGE = 0.25
"""Magnitudes that a panel of zero points shows to each side, at least."""


def colours_figure(
    stars: StarFluxes, found: ColourCalibration, *, width: int = WIDE, look: Look = LIGHT
) -> Drawn:
    """Colours against B-V with the line that was fitted, and zero points star by star below or beside it.

    Parameters
    ----------
    stars : StarFluxes
        That were calibrated with.
    found : ColourCalibration
    width : int
        `WIDE` or `NARROW`.
    look : Look
    """
    narrow = width <= NARROW
    side = 12 if narrow else 24
    planes = [name for name in COLOURS if name in found.planes]
    said = wrapped(_note(found), width - 2 * side, 13)
    left, across = (62, width - 80) if narrow else (86, (width - 200) // 2)
    high = 260 if narrow else HIGH_PX
    below = TOP_PX + high + GAP_PX
    height = (below + high if narrow else TOP_PX + high) + 60 + 18 * (said.count("\n") + 1)
    figure = blank(width, height, look)
    first = plain_axes(figure, (left, TOP_PX, across, high), look)
    _colour_panel(first, stars, found, planes, look)
    start, place = (below, left) if narrow else (TOP_PX, left + across + 72)
    each = high / len(planes)
    for k, plane in enumerate(planes):
        axes = plain_axes(figure, (place, start + k * each + 12, across, each - 26), look)
        _zero_panel(axes, stars, found, plane, look, last=k == len(planes) - 1)
    title = "Star colours" if narrow else "Colours of stars: catalogue and camera"
    titled(figure, title, look, narrow)
    footed(figure, said, side, look)
    return files(figure, f"{title}. {_note(found)}")


def _note(found: ColourCalibration) -> str:
    out = int((np.isfinite(found.deviation).all(axis=1) & ~found.used).sum())
    cut = f"; {out} more, as crosses, lie too far off to count" if out else ""
    if any(_beyond(found, plane) for plane in found.planes):
        cut += ", those at an edge beyond it"
    return (
        f"{int(found.used.sum())} catalogue stars{cut}. Lines are what is fitted: stars of the Sun's colour stand at "
        f"the dotted line. Magnitudes: {found.relation.system}."
    )


def _beyond(found: ColourCalibration, plane: str) -> bool:
    """Whether stars lie beyond the range of a panel."""
    away = found.deviation[:, found.number(plane)] - found.zero(plane)
    return bool((np.abs(away[np.isfinite(away)]) > EDGE * _reach(away, found.used)).any())


def _marked(axes: Axes, x: Float64, y: Float64, used: Bool, colour: str, mark: str) -> None:
    shown = np.isfinite(y)
    axes.plot(
        x[shown & used], y[shown & used], mark, color=colour, markersize=4, alpha=0.6, markeredgewidth=0
    )
    axes.plot(x[shown & ~used], y[shown & ~used], "x", color=colour, markersize=5, alpha=0.8)


def _colour_panel(
    axes: Axes, stars: StarFluxes, found: ColourCalibration, planes: list[str], look: Look
) -> None:
    """Magnitude of the bluest plane less that of the reddest."""
    blue, red = planes[-1], planes[0]
    grid = np.linspace(BLUEST, REDDEST, 200)
    channels = found.relation.channels
    pick = [channels.index(blue), channels.index(red)]
    slope = found.points.slope[found.number(blue)] - found.points.slope[found.number(red)]

    def expected(b_v: Float64) -> Float64:
        less = found.relation.less_v(b_v)
        return np.asarray(less[:, pick[0]] - less[:, pick[1]] - slope * (b_v - SUN_B_V))

    apart = found.deviation[:, found.number(blue)] - found.deviation[:, found.number(red)]
    ground = found.zero(blue) - found.zero(red)
    b_v = np.nan_to_num(stars.b_v, nan=0.0)
    # what a star's two zero points differ from the fitted ones is how its colour differs from the line
    seen = expected(b_v) - (apart - ground - slope * (b_v - SUN_B_V))
    axes.plot(grid, expected(grid), color=look.ink, linewidth=1.4, zorder=3)
    _marked(axes, stars.b_v, seen, found.used, look.other, "o")
    axes.axvline(SUN_B_V, color=look.soft, linewidth=1, linestyle=":")
    axes.set_xlabel("B-V of the catalogue", fontsize=points(13), color=look.soft)
    axes.set_ylabel(
        f"{NAMES[blue].lower()} less {NAMES[red].lower()}, magnitudes", fontsize=points(13), color=look.soft
    )
    axes.grid(color=look.rule, linewidth=0.8)


def _reach(away: Float64, used: Bool) -> float:
    """Magnitudes to either side that hold all stars that count."""
    seen = away[np.isfinite(away) & used]
    return max(LEAST_RANGE, 1.15 * float(np.abs(seen).max(initial=0.0)))


def _zero_panel(
    axes: Axes, stars: StarFluxes, found: ColourCalibration, plane: str, look: Look, *, last: bool
) -> None:
    """Zero points of a plane, star by star, less the fitted one."""
    k = found.number(plane)
    style = line_of(plane, look)
    zero = found.zero(plane)
    away = found.deviation[:, k] - zero
    grid = np.array([BLUEST, REDDEST])
    axes.plot(grid, found.points.slope[k] * (grid - SUN_B_V), color=look.ink, linewidth=1.4, zorder=3)
    reach = _reach(away, found.used)
    rim = EDGE * reach  # whole marks where they lie beyond
    _marked(axes, stars.b_v, np.clip(away, -rim, rim), found.used, style["color"], style["marker"])
    axes.set_ylim(reach, -reach)
    mark = next((step for step in (0.5, 0.2) if step < 0.9 * reach), 0.1)
    axes.set_yticks([-mark, 0.0, mark])
    axes.axvline(SUN_B_V, color=look.soft, linewidth=1, linestyle=":")
    axes.grid(color=look.rule, linewidth=0.8)
    axes.set_title(
        f"{NAMES[plane]}: zero point {zero:.3f} ± {found.error[k]:.3f}, one star ± {found.points.scatter[k]:.3f}",
        fontsize=points(13), color=look.soft, loc="left", pad=2,
    )  # fmt: skip
    axes.set_xlim(BLUEST - 0.05, REDDEST + 0.05)
    if plane == "G":
        axes.set_ylabel("one star, mag", fontsize=points(13), color=look.soft)
    if last:
        axes.set_xlabel("B-V of the catalogue", fontsize=points(13), color=look.soft)
    else:
        axes.set_xticklabels([])
