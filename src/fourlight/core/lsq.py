"""Normal equations of a spline through mosaic samples, at a cost that hardly grows with the number of frames.

Samples are first gathered on a grid of a third (or half) of a pixel. Each fine cell keeps the sum of weights, of
weighted values, and of weighted positions, so that its samples act as one that stands at their mean position: the
error of that is of second order in the size of the cell. The normal equations then have at most nine entries per
pixel, however many frames there are.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from fourlight.core import bspline
from fourlight.core.bends import along_row
from fourlight.core.drizzle import first_sample
from fourlight.core.lanes import LANES, fetch, places
from fourlight.core.samples import weigh

__all__ = ["SUMS", "assembled", "gathered", "kept_share", "left_out", "noise_power", "scattered"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Int32 = npt.NDArray[np.int32]
Int64 = npt.NDArray[np.int64]
Int8 = npt.NDArray[np.int8]

SUMS = 6
"""Per fine cell: sums of w, w z, w x, w y, w^2 v and w^2."""

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
    """Number of the fine cell of each place from `fourlight.core.lanes.places` (-1: none), then of the pixel.

    The place itself, x and then y, goes to ``spots``.
    """
    right, low, across = pw - 1.0, ph - 1.0, float(pw)
    for k in range(count):
        x, y = at[k], at[LANES + k]
        inside = (x >= 0.0) & (y >= 0.0) & (x <= right) & (y <= low)
        cell = np.floor((y + 0.5) * fine) * (across * fine) + np.floor((x + 0.5) * fine)
        pixel = np.floor(y + 0.5) * across + np.floor(x + 0.5)
        numbers[k] = np.int32(cell if inside else -1.0)
        numbers[LANES + k] = np.int32(pixel if inside else 0.0)
        spots[k] = np.float32(x)
        spots[LANES + k] = np.float32(y)


@njit(cache=True, nogil=True)
def _add_samples(numbers: Int32, spots: Float32, weights: Float32, count: int, cells: Float32) -> None:
    """Add weighed samples to the flat fine cells that they lie in."""
    n = LANES
    for k in range(count):
        weight = weights[k]
        if numbers[k] < 0 or weight == 0:
            continue
        first = np.uint64(SUMS * numbers[k])
        cells[first] += weight
        cells[first + np.uint64(1)] += weights[n + k]
        cells[first + np.uint64(2)] += weight * spots[k]
        cells[first + np.uint64(3)] += weight * spots[n + k]
        cells[first + np.uint64(4)] += weights[2 * n + k]
        cells[first + np.uint64(5)] += weight * weight


@njit(cache=True, nogil=True)
def gathered(
    z: Float32, base: Float32, slope: Float32, bad: Int8, y0: int, x0: int, bend: Float64, cell: Int64, plane: int,
    floor: float, sky: float, merit: float, ref: Float32, oy: int, ox: int, fine: int, cells: Float32,
) -> None:  # fmt: skip
    """Add one frame's good samples of one plane to the fine grid of a tile.

    Parameters are those of `fourlight.core.drizzle.deposit_values`; ``fine`` is the number of cells per pixel and
    axis, ``cells`` (ph * fine, pw * fine, 6) float32 is added to, positions counted from the tile's first pixel.
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
            weigh(z[j, i:], base[j, i:], slope[j, i:], bad[j, i:], level, count, sky, floor, merit, weights)
            _add_samples(numbers, spots, weights, count, cells.ravel())


@njit(cache=True, nogil=True)
def _place(cells: Float32, fy: int, fx: int, ph: int, pw: int) -> tuple[int, int, np.float32, np.float32]:
    """First row and column that a fine cell's samples reach, and how far they stand past the next ones, 0 to 1.

    -1 where there are no samples, or where they reach beyond the tile.
    """
    weight = cells[fy, fx, 0]
    if weight > 0:
        x, y = cells[fy, fx, 2] / weight, cells[fy, fx, 3] / weight
        i0, j0 = int(x) - 1, int(y) - 1
        if 0 <= i0 <= pw - 4 and 0 <= j0 <= ph - 4:
            return j0, i0, y - np.float32(j0 + 1), x - np.float32(i0 + 1)
    return -1, -1, np.float32(0), np.float32(0)


@njit(cache=True, nogil=True)
def _at(image: Float32, j0: int, i0: int, by: bspline.Weights, bx: bspline.Weights) -> np.float32:
    """A spline at the place with these weights."""
    found = np.float32(0)
    for v in range(4):
        row = image[j0 + v]
        found += by[v] * (bx[0] * row[i0] + bx[1] * row[i0 + 1] + bx[2] * row[i0 + 2] + bx[3] * row[i0 + 3])
    return found


@njit(cache=True, nogil=True)
def _spread(
    value: np.float32, image: Float32, j0: int, i0: int, by: bspline.Weights, bx: bspline.Weights
) -> None:
    """Add a value to the coefficients around it by these weights."""
    for v in range(4):
        row, part = image[j0 + v], by[v] * value
        row[i0] += bx[0] * part
        row[i0 + 1] += bx[1] * part
        row[i0 + 2] += bx[2] * part
        row[i0 + 3] += bx[3] * part


@njit(cache=True, nogil=True)
def assembled(cells: Float32, kept: Float32, layers: Float32, right: Float32, sums: Float32) -> None:
    """Add the fine cells to the normal equations ``layers`` (25, ph, pw) and right-hand side (ph, pw).

    ``kept`` (ph, pw) is the share of its weight that a sample keeps in the fit, see `kept_share`. To ``sums``
    (3, ph, pw) are added the weights as they are, spread by the spline's weights at their places, then, of the
    samples nearest to each pixel, weights and squared weights.
    """
    ny, nx, _ = cells.shape
    _, ph, pw = layers.shape
    fine = ny // ph
    for fy in range(ny):
        for fx in range(nx):
            whole = cells[fy, fx, 0]
            if whole <= 0:
                continue
            sums[1, fy // fine, fx // fine] += whole
            sums[2, fy // fine, fx // fine] += cells[fy, fx, 5]
            j0, i0, y, x = _place(cells, fy, fx, ph, pw)
            if j0 < 0:
                continue
            by, bx = bspline.weights(y), bspline.weights(x)
            share = kept[fy // fine, fx // fine]
            _spread(whole, sums[0], j0, i0, by, bx)
            _spread(share * cells[fy, fx, 1], right, j0, i0, by, bx)
            for v in range(4):
                for u in range(4):
                    i, part = i0 + u, share * whole * by[v] * bx[u]
                    for u2 in range(u, 4):
                        layers[u2 - u, j0 + v, i] += part * by[v] * bx[u2]
                    for v2 in range(v + 1, 4):
                        lower, k = part * by[v2], 4 + (v2 - v - 1) * 7 + 3 - u
                        for u2 in range(4):
                            layers[k + u2, j0 + v, i] += lower * bx[u2]


@njit(cache=True, nogil=True)
def scattered(cells: Float32, values: Float32, right: Float32) -> None:
    """Add one value per fine cell, spread by the spline's weights at its mean position, to ``right`` (ph, pw)."""
    ny, nx, _ = cells.shape
    ph, pw = right.shape
    for fy in range(ny):
        for fx in range(nx):
            j0, i0, y, x = _place(cells, fy, fx, ph, pw)
            if j0 >= 0:
                _spread(values[fy, fx], right, j0, i0, bspline.weights(y), bspline.weights(x))


@njit(cache=True, nogil=True)
def left_out(
    cells: Float32, kept: Float32, fit: Float32, given: Float32, light: Float32, taken: Float32
) -> None:
    """Light that a fit with lowered weights leaves out, spread where it lies, and what giving it back takes away.

    Parameters
    ----------
    cells : (ph * fine, pw * fine, 6) float32
    kept, fit, given : (ph, pw) float32
        Share of its weight that a sample keeps, the fit, and the factor by which light is given back; the last two
        are spline coefficients.
    light : (ph, pw) float32
        Residuals times the weight lost are added to it.
    taken : (ph, pw) float32
        Weight lost times ``given`` is added to it: by so much the fit counts less in sums.
    """
    ny, nx, _ = cells.shape
    ph, pw = kept.shape
    fine = ny // ph
    for fy in range(ny):
        for fx in range(nx):
            lost = np.float32(1) - kept[fy // fine, fx // fine]
            if lost == 0:
                continue
            j0, i0, y, x = _place(cells, fy, fx, ph, pw)
            if j0 < 0:
                continue
            by, bx = bspline.weights(y), bspline.weights(x)
            residual = cells[fy, fx, 1] - cells[fy, fx, 0] * _at(fit, j0, i0, by, bx)
            _spread(lost * residual, light, j0, i0, by, bx)
            _spread(lost * cells[fy, fx, 0] * _at(given, j0, i0, by, bx), taken, j0, i0, by, bx)


@njit(cache=True, nogil=True)
def noise_power(cells: Float32, kept: Float32, reach: Float32, given: Float32, power: Float32) -> None:
    """Lay down the noise power of the samples where they lie; ``power`` (ph, pw) is added to.

    ``reach`` and ``given`` (ph, pw) hold spline coefficients u and g: a sample of weight w at x adds
    ``w (k u(x) + (1 - k) g(x))`` times its value to the sum of the whole plane, k the share of its weight that it
    keeps in the fit. The square of that times its variance v is its noise power in sums over areas. Without lowered
    weights u is the solution of ``A u = 1``.
    """
    ny, nx, _ = cells.shape
    ph, pw = kept.shape
    fine = ny // ph
    for fy in range(ny):
        for fx in range(nx):
            j0, i0, y, x = _place(cells, fy, fx, ph, pw)
            if j0 < 0:
                continue
            by, bx = bspline.weights(y), bspline.weights(x)
            share = kept[fy // fine, fx // fine]
            reached = share * _at(reach, j0, i0, by, bx)
            if share < 1:
                reached += (np.float32(1) - share) * _at(given, j0, i0, by, bx)
            _spread(reached * reached * cells[fy, fx, 4], power, j0, i0, by, bx)
