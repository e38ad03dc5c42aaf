"""Pictures of lines, with the stars as the stacks have them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from fourlight.frames import StarList
from fourlight.recipe_finish import Finish
from fourlight.stages.canvas import Canvas
from fourlight.stages.line_kinds import SAMPLES, Telling
from fourlight.stages.line_maps import LineMaps, Planes
from fourlight.stages.line_pictures import Palette, line_picture
from fourlight.stages.line_points import with_unlisted
from fourlight.stages.line_star_colours import star_pixels, with_clean_stars

__all__ = ["Shown", "Views", "line_views"]

Bool = npt.NDArray[np.bool_]
Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Shown:
    """What pictures show."""

    palettes: Sequence[Palette]
    stars: StarList
    hues: Float64 | None
    """(n, 3) colours of the stars by a broadband stack; None without one."""
    width_px: float
    """FWHM of stars as they stand in the stacks."""


class Views(NamedTuple):
    """What is seen of lines."""

    pictures: dict[str, Float32]
    """By the names of their palettes, (ny, nx, 3)."""
    maps: LineMaps
    """As they are shown: where a broadband stack tells stars, these are in the continuum alone."""


def line_views(
    maps: LineMaps, planes: Planes, telling: Telling, shown: Shown, settings: Finish, canvas: Canvas
) -> Views:
    """Pictures by the names of their palettes, and the maps as they are shown.

    Parameters
    ----------
    maps : LineMaps
    planes : Planes
        Of the stack with the lines.
    telling : Telling
    shown : Shown
    settings : Finish
    canvas : Canvas
    """
    stars, hues, discs = shown.stars, shown.hues, None
    if shown.hues is not None and "continuum" in telling.columns:
        discs = star_pixels(maps, shown.stars, shown.width_px)
        maps = _clean(maps, planes, telling, discs, canvas)
    else:
        stars = with_unlisted(stars, planes, canvas)
        hues = None if hues is None else np.vstack([hues, np.ones((len(stars) - len(hues), 3))])
    sky = planes.cells(planes.sky.use)
    pictures = {
        one.name: line_picture(maps, one, stars, sky, settings, canvas, hues, discs) for one in shown.palettes
    }
    return Views(pictures, maps)


def _clean(maps: LineMaps, planes: Planes, telling: Telling, where: Bool, canvas: Canvas) -> LineMaps:
    """The maps with stars that are continuum alone."""
    k = telling.columns.index("continuum")
    own = float(SAMPLES @ telling.matrix[: len(SAMPLES), k])
    if not own:
        return maps
    return with_clean_stars(maps, planes.values, float(telling.units[k]) / own, where, canvas)
