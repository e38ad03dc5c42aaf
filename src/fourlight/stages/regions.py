"""Parts of a stack of which it is told what each channel did: object, empty sky, stars, and any rectangle."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from fourlight.core import background, levels, starcolour, starlet
from fourlight.core.cfa import PLANES
from fourlight.core.regionsums import STEEP
from fourlight.frames import StarList
from fourlight.stages.canvas import bands
from fourlight.stages.stack_layers import OUTPUT_PLANES

__all__ = ["OWN", "Box", "Regions", "find_regions"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]
Box = tuple[int, int, int, int]
"""``x0, y0, x1, y1`` in pixels of the stack, the last column and row not counted."""

OWN = ("object", "sky", "stars")
"""Regions that are found; others are named by the user."""

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
COLOURS = ("R", "G", "B")
BURNT_REACH = 4
"""Pixels around full ones that do not count either."""
STEEP_SIGMA, STEEP_REACH = 4.0, 10
"""Detail of the stack in units of its noise from which light is steep, and rows that it is told from."""


@dataclass(frozen=True, slots=True)
class Regions:
    """Where the regions are, and how much light they hold."""

    names: tuple[str, ...]
    labels: npt.NDArray[np.uint16]
    """(ny, nx) bit r: the pixel is in region r; bit 15: light is steep there."""
    pixels: npt.NDArray[np.int64]
    """(r,) pixels of each region."""
    signal: Float64
    """(r, 5) mean light per pixel above the sky, of R, G1, G2, B, G; of the region "sky" the sky itself."""
    filled: bool
    """Whether faint light fills the field, so that the darkest of it had to be taken for the sky."""


def find_regions(
    read: Callable[[str, str], Float32], stars: StarList, boxes: Mapping[str, Box], level: Float64, order: int = 1
) -> Regions:  # fmt: skip
    """Regions of a stack.

    Parameters
    ----------
    read : callable
        A layer (ny, nx) of a plane of the stack, NaN where no frame covers.
    stars : StarList
        At places of the stack.
    boxes : mapping of str to Box
        Rectangles by name, inside the stack. They hold all that lies in them but full samples.
    level : (4,) float64
        Of R, G1, G2, B per pixel of the stack, from which samples may be full.
    order : int
        Order of the surface that is taken for the sky under the object.

    Returns
    -------
    Regions
        Those that hold pixels; the object is missing where no light stands out, the stars where there are none.
    """
    values = {plane: read(plane, "value") for plane in OUTPUT_PLANES}
    shape = values["G"].shape
    covered = np.logical_and.reduce([np.isfinite(values[c]) for c in COLOURS])
    light, near, full = _star_masks(stars, (shape[0], shape[1]))
    burnt = _burnt(values, level)
    near |= burnt
    side = max(CELL_PX, -(-max(shape) // MOST_CELLS))
    cells = {plane: levels.cell_levels(value, near | ~covered, side) for plane, value in values.items()}
    use, above, order = _sky_and_object(cells, order)
    surfaces = {plane: background.fit_surface(cells[plane], use, order) for plane in OUTPUT_PLANES}
    masks = {
        "object": _spread(above, side, shape) & ~near & covered,
        "sky": _spread(use, side, shape) & ~near & covered,
        "stars": light & covered & ~full & ~burnt,
    }
    masks |= {name: _inside(box, covered & ~burnt) for name, box in boxes.items()}
    masks = {name: mask for name, mask in masks.items() if mask.any()}
    signal = np.array([_light(name, mask, values, surfaces) for name, mask in masks.items()])
    signal = signal.reshape(-1, len(OUTPUT_PLANES))  # of no region, too
    pixels = np.array([np.count_nonzero(mask) for mask in masks.values()], dtype=np.int64)
    return Regions(tuple(masks), _labels(masks, near | _steep(read)), pixels, signal, order == 0)


def _inside(box: Box, there: Bool) -> Bool:
    """The part of a mask that lies in a rectangle."""
    x0, y0, x1, y1 = box
    mask = np.zeros_like(there)
    mask[y0:y1, x0:x1] = there[y0:y1, x0:x1]
    return mask


def _labels(masks: Mapping[str, Bool], steep: Bool) -> npt.NDArray[np.uint16]:
    """One bit for each region, 0 where there is none."""
    labels = steep.astype(np.uint16) << np.uint16(STEEP)
    anywhere = np.zeros_like(steep)
    for bit, mask in enumerate(masks.values()):
        labels |= mask.astype(np.uint16) << np.uint16(bit)
        anywhere |= mask
    labels[~anywhere] = 0
    return labels


def _star_masks(stars: StarList, shape: tuple[int, int]) -> tuple[Bool, Bool, Bool]:
    """Pixels in the discs of good stars, near any star, and near full ones."""
    if len(stars) == 0:
        nothing = np.zeros(shape, dtype=bool)
        return nothing, nothing.copy(), nothing.copy()
    known = stars.fwhm_px[np.isfinite(stars.fwhm_px)]
    width = float(np.clip(np.median(known), 1.0, 30.0)) if len(known) else 3.0
    total = np.nansum(stars.flux, axis=1)
    reach = starcolour.star_reach(width, np.maximum(total / max(float(np.median(total)), 1e-30), 1e-3))
    good = ~stars.saturated

    def discs(which: Bool, radius: Float64) -> Bool:
        return starcolour.star_mask(shape, stars.x[which], stars.y[which], radius[which])

    everyone = np.ones(len(stars), dtype=bool)
    near = discs(everyone, reach)
    if near.mean() > 0.5:  # a crowded field has no sky between discs of this size
        near = discs(everyone, np.full(len(stars), width))
    return discs(good, np.full(len(stars), STAR_RADIUS * width)), near, discs(~good, 1.5 * reach)


def _burnt(values: Mapping[str, Float32], level: Float64) -> Bool:
    """Where samples may have been full in some frame, whether a star was found there or not."""
    burnt = np.logical_or.reduce([values[c] > 0.7 * full for c, full in zip(PLANES, level, strict=True)])
    return np.asarray(ndimage.binary_dilation(burnt, iterations=BURNT_REACH)) if burnt.any() else burnt


def _steep(read: Callable[[str, str], Float32]) -> Bool:
    """Where fine detail stands out of the noise in any colour, and beside it: frames of another seeing differ there."""
    found = np.zeros(read("G", "value").shape, dtype=bool)
    for c in COLOURS:
        first, second = (read(c, f"value_{half}") for half in ("a", "b"))
        for rows in bands(found.shape):
            around = slice(max(rows.start - STEEP_REACH, 0), rows.stop + STEEP_REACH)
            a, b = first[around], second[around]
            detail, noise = 0.5 * (a + b), 0.5 * (a - b)
            detail = detail - starlet.smooth_step(starlet.smooth_step(detail, 0), 1)
            scatter = 1.4826 * float(np.nanmedian(np.abs(noise))) if np.isfinite(noise).any() else 0.0
            high = np.abs(detail) > STEEP_SIGMA * scatter
            high = ndimage.binary_dilation(high, iterations=2)
            found[rows] |= high[rows.start - around.start :][: found[rows].shape[0]]
    return found


def _sky_and_object(cells: Mapping[str, levels.Cells], order: int) -> tuple[Bool, Bool, int]:
    """Cells (my, mx) that are empty sky, and that show the object, and the order of the sky that they fix.

    All colours count by their noise. Empty sky is even but for noise. Where what lies lowest is more uneven than that,
    faint light fills the field: a slope of it cannot be told from one of the sky, and the darkest cells alone are sky.
    """
    known = np.logical_and.reduce([np.isfinite(cells[c].error) for c in COLOURS])
    if not known.any():  # no pixel holds all colours
        return known, known.copy(), order
    scale = {c: max(float(np.nanmedian(cells[c].error)), 1e-30) for c in COLOURS}
    level = np.mean([cells[c].level / scale[c] for c in COLOURS], axis=0)
    error = np.sqrt(np.mean([(cells[c].error / scale[c]) ** 2 for c in COLOURS], axis=0) / len(COLOURS))
    joint, noise = replace(cells["G"], level=level, error=error), float(np.nanmedian(error))
    use = background.sky_cells(joint, order)
    above = _above(joint, use, order)
    if np.std(above[use]) > UNEVEN * noise:
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


def _spread(cells: Bool, side: int, shape: tuple[int, ...]) -> Bool:
    """Cells as pixels."""
    return np.asarray(np.repeat(np.repeat(cells, side, axis=0), side, axis=1)[: shape[0], : shape[1]])


def _light(
    name: str, mask: Bool, values: Mapping[str, Float32], surfaces: Mapping[str, background.Surface]
) -> Float64:
    """(5,) mean of each plane over what it covers of a region, above the sky unless it is the sky."""
    total, count = np.zeros(len(OUTPUT_PLANES)), np.zeros(len(OUTPUT_PLANES))
    for rows in bands(mask.shape):
        here = mask[rows]
        for k, plane in enumerate(OUTPUT_PLANES):
            part = values[plane][rows][here].astype(np.float64)
            if name != "sky":
                part -= surfaces[plane].image((rows, slice(None)))[here]
            known = np.isfinite(part)
            total[k] += part[known].sum()
            count[k] += np.count_nonzero(known)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)
