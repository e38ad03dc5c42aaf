"""The empty sky of a stack: which of its cells show nothing else, and the surface that lies under everything."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from fourlight.core import background, levels, stardiscs
from fourlight.core.cfa import COLOURS, PLANES
from fourlight.frames import StarList

__all__ = ["EmptySky", "StarMasks", "burnt_pixels", "empty_sky", "star_masks"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]

CELL_PX = 16
"""Side of the cells in which it is decided what is object and what is sky; larger where the stack is large."""
MOST_CELLS = 128
"""Cells along the longer side."""
OBJECT_SIGMA = 4.0
"""Light above the sky, in errors of a cell, from which a cell shows the object."""
UNEVEN = 3.0
"""Scatter of the lowest cells, in their errors, from which faint light fills the field."""
DARKEST = 0.04
"""Share of the cells that are sky then."""
STAR_RADIUS = 1.0
"""Radius of the disc of a star that counts as its light, in its width (FWHM)."""
BURNT_REACH = 4
"""Pixels around full ones that do not count either."""


@dataclass(frozen=True, slots=True)
class EmptySky:
    """Cells of empty sky and of an object, and the sky under everything, by plane."""

    use: Bool
    """(my, mx) cells that are empty sky."""
    above: Bool
    """(my, mx) cells that show light above it."""
    side: int
    """Of a cell, pixels."""
    surfaces: dict[str, background.Surface]
    level: dict[str, float]
    """Median of the empty cells; NaN where there is none."""
    filled: bool
    """Whether faint light fills the field, so that the darkest of it had to be taken for the sky."""
    cells: dict[str, levels.Cells]
    """Levels of all cells."""


@dataclass(frozen=True, slots=True)
class StarMasks:
    """Pixels (ny, nx) in the discs of good stars, near any star, and near full ones."""

    light: Bool
    near: Bool
    full: Bool


def empty_sky(values: Mapping[str, Float32], hidden: Bool, order: int = 1) -> EmptySky:
    """The sky of the planes of a stack.

    Parameters
    ----------
    values : mapping of R, G, B and any others to (ny, nx) float32
        NaN where no frame covers.
    hidden : (ny, nx) bool
        Pixels near stars, near full ones, and not covered.
    order : int
        Order of the surface of the sky; one more where it needs to be.
    """
    side = max(CELL_PX, -(-max(hidden.shape) // MOST_CELLS))
    cells = {plane: levels.cell_levels(value, hidden, side) for plane, value in values.items()}
    use, above, order = _sky_and_object(cells, order)
    surfaces = {plane: background.fit_surface(part, use, order) for plane, part in cells.items()}
    level = {
        plane: float(np.median(part.level[use])) if use.any() else float("nan")
        for plane, part in cells.items()
    }
    return EmptySky(use, above, side, surfaces, level, order == 0, cells)


def star_masks(stars: StarList, shape: tuple[int, int]) -> StarMasks:
    """Where the stars of a list stand on a stack."""
    if len(stars) == 0:
        nothing = np.zeros(shape, dtype=bool)
        return StarMasks(nothing, nothing.copy(), nothing.copy())
    total = np.nansum(stars.flux, axis=1)
    width = stars.usual_fwhm_px
    reach = stardiscs.star_reach(width, np.maximum(total / max(float(np.median(total)), 1e-30), 1e-3))
    good = ~stars.saturated

    def discs(which: Bool, radius: Float64) -> Bool:
        return stardiscs.star_mask(shape, stars.x[which], stars.y[which], radius[which])

    everyone = np.ones(len(stars), dtype=bool)
    near = discs(everyone, reach)
    if near.mean() > 0.5:  # a crowded field has no sky between discs of this size
        near = discs(everyone, np.full(len(stars), width))
    return StarMasks(discs(good, np.full(len(stars), STAR_RADIUS * width)), near, discs(~good, 1.5 * reach))


def burnt_pixels(values: Mapping[str, Float32], level: Float64) -> Bool:
    """Where samples may have been full in some frame, whether a star was found there or not."""
    burnt = np.logical_or.reduce([values[c] > 0.7 * full for c, full in zip(PLANES, level, strict=True)])
    return np.asarray(ndimage.binary_dilation(burnt, iterations=BURNT_REACH)) if burnt.any() else burnt


def _sky_and_object(cells: Mapping[str, levels.Cells], given: int) -> tuple[Bool, Bool, int]:
    """Cells (my, mx) that are empty sky, and that show the object, and the order of the sky that they fix.

    All colours that the stack holds count by their noise. Empty sky is even but for noise. Where what lies lowest is
    more uneven than that, faint light fills the field: a slope of it cannot be told from one of the sky, and the
    darkest cells alone are sky. What one order more makes even is the work of optics without a flat:
    light of an object is not that smooth.
    """
    there = [c for c in COLOURS if np.isfinite(cells[c].error).any()]
    known = np.logical_and.reduce([np.isfinite(cells[c].error) for c in there or COLOURS])
    if not known.any():  # no part of the stack holds all colours
        return known, known.copy(), given
    scale = {c: max(float(np.nanmedian(cells[c].error)), 1e-30) for c in there}
    level = np.mean([cells[c].level / scale[c] for c in there], axis=0)
    error = np.sqrt(np.mean([(cells[c].error / scale[c]) ** 2 for c in there], axis=0) / len(there))
    joint, noise = replace(cells["G"], level=level, error=error), float(np.nanmedian(error))
    for order in (given, given + 1):  # optics without a flat bend the sky
        use = background.sky_cells(joint, order)
        above = _above(joint, use, order)
        if np.std(above[use]) <= UNEVEN * noise:
            break
    else:
        use, order = _darkest(level), 0
        above = _above(joint, use, order)
    scatter = max(float(np.std(above[use])), noise)
    high = np.isfinite(above) & (above > OBJECT_SIGMA * scatter)
    # a cell alone is a galaxy or a star that was not found: an object of which something can be told is larger
    high &= ndimage.uniform_filter(high.astype(np.float64), 3, mode="nearest") > 2.5 / 9
    return use & ~high, high, order


def _above(cells: levels.Cells, use: Bool, order: int) -> Float64:
    """(my, mx) level above the sky through some of the cells."""
    y, x = cells.centres()
    return cells.level - background.fit_surface(cells, use, order).at(*np.meshgrid(y, x, indexing="ij"))


def _darkest(level: Float64) -> Bool:
    """The darkest cells, each judged with those around it."""
    known = np.isfinite(level)
    around = ndimage.uniform_filter(np.where(known, level, 0.0), 3, mode="nearest")
    share = ndimage.uniform_filter(known.astype(np.float64), 3, mode="nearest")
    mean = np.where(known & (share > 0.5), around / np.maximum(share, 1e-9), np.inf)
    return np.asarray(mean <= np.quantile(mean[np.isfinite(mean)], DARKEST)) if known.any() else known
