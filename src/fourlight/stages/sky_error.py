"""How well the sky under a region of a stack is known, as far as no light left out can show it.

All lights are compared with one stack, and one surface through its empty cells is taken for the sky under everything.
What that surface is off by is in every light alike: noise of the masters, patterns of the sensor, faint light. Leaving
out one light after the other shows none of it. It shows in how the empty cells scatter about their surface.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np
import numpy.typing as npt

from fourlight.core.background import surface_weights
from fourlight.core.cfa import PLANES
from fourlight.core.levels import cell_levels
from fourlight.stages.empty_sky import EmptySky

__all__ = ["counted", "halves_apart", "shared_error"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]

ROWS = 16
"""Of cells, that are looked at together."""
HALF = np.float32(0.5)
BLOCK = 3
"""Cells along a block: neighbours within it may be off together."""
FEWEST_BLOCKS = 12
"""Below which single cells stand for blocks: of fewer no scatter can be told."""


def halves_apart(read: Callable[[str, str], Float32], hidden: Bool, side: int) -> dict[str, Float64]:
    """(my, mx) cells of half of the difference of both half stacks, which has the noise of the lights and no more.

    By plane, R, G1, G2, B; NaN where too few pixels of a cell are usable. A few rows of cells at a time.
    """
    step = side * ROWS
    found = {}
    for plane in PLANES:
        first, second = read(plane, "value_a"), read(plane, "value_b")
        parts = [slice(top, min(top + step, len(hidden))) for top in range(0, len(hidden), step)]
        rows = [cell_levels(HALF * (first[part] - second[part]), hidden[part], side).level for part in parts]
        found[plane] = np.concatenate(rows)
    return found


def counted(mask: Bool, side: int) -> Float64:
    """(my, mx) pixels of a mask in each cell."""
    rows = np.add.reduceat(mask, np.arange(0, mask.shape[0], side), axis=0, dtype=np.int32)
    return np.add.reduceat(rows, np.arange(0, mask.shape[1], side), axis=1).astype(np.float64)


def shared_error(sky: EmptySky, apart: Mapping[str, Float64], over: Sequence[Float64]) -> Float64:
    """Covariance of the mean light of regions over their sky, as far as all lights have it in common.

    Parameters
    ----------
    sky : EmptySky
    apart : mapping of R, G1, G2, B to (my, mx) float64
        From `halves_apart`.
    over : sequence of (my, mx) float64
        Pixels of each region in each cell, as `counted` gives them.

    Returns
    -------
    (r, 4, 4) float64
        Of R, G1, G2, B, squares of the unit of the stack per pixel. NaN where too few cells are empty to tell it.

    Notes
    -----
    The surface is linear in the levels of its cells, so that its mean over a region is a weighted sum of them. The
    variance of that sum is told from sums over blocks of cells (a sandwich estimate: Liang & Zeger 1986), which allows
    for what neighbours have in common. What leaving out lights does show, the noise of lights in the mean of the sky,
    is taken off again, as the halves tell it. A pattern of the sensor is in the region itself too, as it is in as much
    of the sky; one that grows with the light (noise of flats) shows less in the sky than in a bright region.
    """
    known = [np.isfinite(sky.cells[plane].level) & np.isfinite(apart[plane]) for plane in PLANES]
    use = sky.use & np.logical_and.reduce(known)
    block = _blocks(use)
    if block is None:
        return np.full((len(over), 4, 4), np.nan)
    left = np.array([_left(sky, plane)[use] for plane in PLANES])
    noise = np.array([apart[plane][use] for plane in PLANES])
    noise = noise - noise.mean(axis=1, keepdims=True)
    order = sky.surfaces["G"].order
    terms = (order + 1) * (order + 2) // 2
    pattern = _pattern(left, noise, block, terms)
    told = _square(noise / noise.shape[1], block, 1)
    out = np.zeros((len(over), 4, 4))
    for r, pixels in enumerate(over):
        weight = surface_weights(sky.cells["G"], use, order, pixels)[use]
        cells = pixels.sum() / sky.side**2
        out[r] = _square(left * weight, block, terms) - np.diag(np.diag(told)) + np.diag(pattern / cells)
        out[r] = _not_below_zero(out[r])
    return out


def _left(sky: EmptySky, plane: str) -> Float64:
    """(my, mx) what the cells are above their surface."""
    y, x = sky.cells[plane].centres()
    return sky.cells[plane].level - sky.surfaces[plane].at(*np.meshgrid(y, x, indexing="ij"))


def _blocks(use: Bool) -> npt.NDArray[np.intp] | None:
    """Number of the block of each cell that is used; None where they are too few."""
    for side in (BLOCK, 2, 1):
        j, i = np.nonzero(use)
        _, block = np.unique(np.stack([j // side, i // side]), axis=1, return_inverse=True)
        if block.size and block.max() + 1 >= FEWEST_BLOCKS:
            return block.ravel()
    return None


def _sums(values: Float64, block: npt.NDArray[np.intp]) -> Float64:
    """(4, b) sums over blocks."""
    return np.array([np.bincount(block, weights=plane) for plane in values])


def _square(values: Float64, block: npt.NDArray[np.intp], terms: int) -> Float64:
    """(4, 4) covariance of the sums of values, from what blocks bring to them."""
    sums = _sums(values, block)
    count = sums.shape[1]
    return np.asarray(sums @ sums.T * count / max(count - terms, 1))


def _pattern(left: Float64, noise: Float64, block: npt.NDArray[np.intp], terms: int) -> Float64:
    """(4,) variance of the mean of a region of the size of a cell by what both halves show, block by block."""
    sums, own = _sums(left, block), _sums(noise, block)
    count = np.bincount(block)
    freedom = count.size / max(count.size - terms, 1)
    each = ((left**2).sum(axis=1) - (noise**2).sum(axis=1)) / left.shape[1]
    together = ((sums**2).sum(axis=1) - (own**2).sum(axis=1)) / left.shape[1]
    return np.asarray(freedom * np.maximum(np.maximum(each, together), 0.0))


def _not_below_zero(covariance: Float64) -> Float64:
    """A covariance whose variances are not negative."""
    values, directions = np.linalg.eigh(covariance)
    return np.asarray(directions @ np.diag(np.maximum(values, 0.0)) @ directions.T)
