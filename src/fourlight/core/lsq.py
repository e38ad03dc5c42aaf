"""Normal equations of a spline through mosaic samples, at a cost that hardly grows with the number of frames.

Samples are first gathered on a grid of a third (or half) of a pixel, whose cells lie between the centres of four
pixels. Each fine cell keeps the sum of weights, of weighted values, and of weighted positions, so that its samples act
as one that stands at their mean position: the error of that is of second order in the size of the cell. The normal
equations then have at most nine entries per pixel, however many frames there are. Cells of one kind lie along rows, so
that many are worked on at once.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from fourlight.core.bends import along_row
from fourlight.core.drizzle import first_sample
from fourlight.core.lanes import LANES, fetch, places
from fourlight.core.samples import weigh

__all__ = ["SUMS", "gathered", "kept_share"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Int32 = npt.NDArray[np.int32]
Int64 = npt.NDArray[np.int64]
Int8 = npt.NDArray[np.int8]

SUMS = 6
"""Per fine cell: sums of w, w z, w x, w y, w^2 v and w^2; x and y run from 0 to 1, from pixel centre to centre."""

MOST_SLACK = 30.0
"""Largest factor by which misfit lowers a weight."""

LEAST_LOWERED = 0.01
"""Part of a weight below which it is not lowered: the even sky needs no second look."""


def kept_share(misfit: Float32, weight: float) -> Float32:
    """Share of their weight that samples keep where the spline misses them by more than their noise.

    Parameters
    ----------
    misfit : (ph, pw) float32
        Variance by which the spline may miss samples, beside their noise.
    weight : float
        Weight of a usual sample, one over its variance.

    Examples
    --------
    >>> [round(share, 3) for share in kept_share(np.array([0.0, 1.0, 1e9], np.float32), 1.0).tolist()]
    [1.0, 0.508, 0.032]
    """
    excess = misfit * np.float32(weight)
    slack = np.float32(MOST_SLACK)
    lowered = slack * excess / (slack + excess)
    return np.where(lowered > LEAST_LOWERED, 1 / (1 + lowered), 1).astype(np.float32)


@njit(cache=True, nogil=True)
def _fine_cells(at: Float64, count: int, fine: int, ph: int, pw: int, numbers: Int32, spots: Float32) -> None:
    """Number in flat cells of the first sum of each place's cell (-1: none), then of the nearest pixel.

    Places are those of `fourlight.core.lanes.places`; how far they stand past the last pixel centre, x and then y,
    goes to ``spots``.
    """
    right, low, across, kinds = pw - 1.0, ph - 1.0, float(pw), float(fine * fine)
    for k in range(count):
        x, y = at[k], at[LANES + k]
        inside = (x >= 0.0) & (y >= 0.0) & (x <= right) & (y <= low)
        i, j = np.floor(x), np.floor(y)
        kind = np.floor((y - j) * fine) * fine + np.floor((x - i) * fine)
        numbers[k] = np.int32((j * kinds + kind) * (SUMS * across) + i if inside else -1.0)
        numbers[LANES + k] = np.int32(np.floor(y + 0.5) * across + np.floor(x + 0.5) if inside else 0.0)
        spots[k] = np.float32(x - i)
        spots[LANES + k] = np.float32(y - j)


@njit(cache=True, nogil=True)
def _add_samples(
    numbers: Int32, spots: Float32, weights: Float32, count: int, cells: Float32, apart: int
) -> None:
    """Add weighed samples to the flat fine cells that they lie in, whose sums are ``apart``."""
    n, step = LANES, np.uint64(apart)
    for k in range(count):
        weight = weights[k]
        if numbers[k] < 0 or weight == 0:
            continue
        place = np.uint64(numbers[k])
        cells[place] += weight
        cells[place + step] += weights[n + k]
        cells[place + np.uint64(2) * step] += weight * spots[k]
        cells[place + np.uint64(3) * step] += weight * spots[n + k]
        cells[place + np.uint64(4) * step] += weights[2 * n + k]
        cells[place + np.uint64(5) * step] += weight * weight


@njit(cache=True, nogil=True)
def gathered(
    z: Float32, base: Float32, slope: Float32, bad: Int8, y0: int, x0: int, bend: Float64, cell: Int64, plane: int,
    floor: float, sky: float, merit: float, shared: float, ref: Float32, oy: int, ox: int, fine: int, cells: Float32,
) -> None:  # fmt: skip
    """Add one frame's good samples of one plane to the fine grid of a tile.

    Parameters are those of `fourlight.core.drizzle.deposit_values`; ``fine`` is the number of cells per pixel and
    axis. ``cells`` (ph, fine^2, 6, pw) float32 is added to: those of row j and column i lie between the pixel centres
    j and j + 1, i and i + 1; their kinds are numbered row by row from the upper left.
    """
    h, w = z.shape
    ph, pw = ref.shape
    top, left = first_sample(cell, plane, y0, x0)
    n, row = LANES, np.empty((2, 4))
    at, numbers, spots = np.empty(2 * n), np.empty(2 * n, dtype=np.int32), np.empty(2 * n, dtype=np.float32)
    level, weights = np.empty(n, dtype=np.float32), np.empty(3 * n, dtype=np.float32)
    for j in range(top, h, 2):
        along_row(bend, y0 + j, ox, oy, row)
        for i in range(left, w, 2 * n):
            count = min(n, (w - i + 1) // 2)
            places(row, x0 + i, 2, count, at)
            _fine_cells(at, count, fine, ph, pw, numbers, spots)
            fetch(ref.ravel(), numbers[n:], count, level)
            weigh(
                z[j, i:], base[j, i:], slope[j, i:], bad[j, i:], level, count, sky, floor, merit, shared, weights
            )  # fmt: skip
            _add_samples(numbers, spots, weights, count, cells.ravel(), pw)
