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
from fourlight.core.bends import along_row, place
from fourlight.core.drizzle import first_sample
from fourlight.core.samples import weighed

__all__ = [
    "LANES",
    "assembled",
    "finely",
    "gathered",
    "kept_share",
    "left_out",
    "noise_power",
    "sampled",
    "scattered",
    "weight_lost",
]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]
Int8 = npt.NDArray[np.int8]

LANES = 6
"""Per fine cell: sums of w, w z, w x, w y, w^2 v and w^2."""

MOST_SLACK = 30.0
"""Largest factor by which misfit lowers a weight."""


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
    return np.asarray(1 / (1 + slack * excess / (slack + excess)), dtype=np.float32)


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
    row = np.empty((2, 4))
    for j in range(top, h, 2):
        along_row(bend, y0 + j, ox, oy, row)
        for i in range(left, w, 2):
            value = z[j, i]
            if bad[j, i] != 0 or value != value:
                continue
            x, y = place(row[0], x0 + i), place(row[1], x0 + i)
            if x < 0.0 or y < 0.0 or x > pw - 1.0 or y > ph - 1.0:
                continue
            level = ref[int(y + 0.5), int(x + 0.5)]
            weight, noise = weighed(base[j, i], slope[j, i], sky, level, floor, merit)
            wt = np.float32(weight)
            out = cells[int((y + 0.5) * fine), int((x + 0.5) * fine)]
            out[0] += wt
            out[1] += wt * value
            out[2] += wt * np.float32(x)
            out[3] += wt * np.float32(y)
            out[4] += np.float32(noise)
            out[5] += wt * wt


@njit(cache=True, nogil=True)
def _corner(cells: Float32, fy: int, fx: int, ph: int, pw: int, bx: Float64, by: Float64) -> tuple[int, int]:
    """First row and column that a fine cell's samples reach, weights in ``bx``, ``by``; -1 where there are none."""
    weight = cells[fy, fx, 0]
    if weight <= 0:
        return -1, -1
    x, y = cells[fy, fx, 2] / weight, cells[fy, fx, 3] / weight
    i0, j0 = int(np.floor(x)) - 1, int(np.floor(y)) - 1
    if i0 < 0 or j0 < 0 or i0 > pw - 4 or j0 > ph - 4:
        return -1, -1
    bspline.weights(x - i0 - 1, bx)
    bspline.weights(y - j0 - 1, by)
    return j0, i0


@njit(cache=True, nogil=True)
def assembled(cells: Float32, kept: Float32, layers: Float32, right: Float32) -> None:
    """Add the fine cells to the normal equations ``layers`` (25, ph, pw) and right-hand side (ph, pw).

    ``kept`` (ph, pw) is the share of its weight that a sample keeps in the fit, see `kept_share`.
    """
    ny, nx, _ = cells.shape
    _, ph, pw = layers.shape
    fine = ny // ph
    bx, by, b = np.empty(4), np.empty(4), np.empty((4, 4))
    for fy in range(ny):
        for fx in range(nx):
            j0, i0 = _corner(cells, fy, fx, ph, pw, bx, by)
            if j0 < 0:
                continue
            for v in range(4):
                for u in range(4):
                    b[v, u] = by[v] * bx[u]
            share = kept[fy // fine, fx // fine]
            weight, value = share * cells[fy, fx, 0], share * cells[fy, fx, 1]
            for v in range(4):
                for u in range(4):
                    j, i, part = j0 + v, i0 + u, weight * b[v, u]
                    right[j, i] += value * b[v, u]
                    for u2 in range(u, 4):
                        layers[u2 - u, j, i] += part * b[v, u2]
                    for v2 in range(v + 1, 4):
                        k = 4 + (v2 - v - 1) * 7 + 3 - u
                        for u2 in range(4):
                            layers[k + u2, j, i] += part * b[v2, u2]


@njit(cache=True, nogil=True)
def scattered(cells: Float32, values: Float32, right: Float32) -> None:
    """Add one value per fine cell, spread by the spline's weights at its mean position, to ``right`` (ph, pw)."""
    ny, nx, _ = cells.shape
    ph, pw = right.shape
    bx, by = np.empty(4), np.empty(4)
    for fy in range(ny):
        for fx in range(nx):
            j0, i0 = _corner(cells, fy, fx, ph, pw, bx, by)
            if j0 >= 0:
                for v in range(4):
                    for u in range(4):
                        right[j0 + v, i0 + u] += by[v] * bx[u] * values[fy, fx]


@njit(cache=True, nogil=True)
def sampled(cells: Float32, coefficients: Float32) -> Float32:
    """Value of a spline at the mean position of each fine cell; 0 where there are no samples."""
    ny, nx, _ = cells.shape
    ph, pw = coefficients.shape
    bx, by = np.empty(4), np.empty(4)
    out = np.zeros((ny, nx), dtype=np.float32)
    for fy in range(ny):
        for fx in range(nx):
            j0, i0 = _corner(cells, fy, fx, ph, pw, bx, by)
            if j0 >= 0:
                for v in range(4):
                    for u in range(4):
                        out[fy, fx] += by[v] * bx[u] * coefficients[j0 + v, i0 + u]
    return out


def finely(image: Float32, cells: Float32) -> Float32:
    """An image on pixels as one on fine cells."""
    fine = cells.shape[0] // image.shape[0]
    return np.repeat(np.repeat(image, fine, axis=0), fine, axis=1)


def weight_lost(cells: Float32, kept: Float32) -> Float32:
    """Weight per fine cell that its samples lose in the fit."""
    return np.asarray((1 - finely(kept, cells)) * cells[..., 0], dtype=np.float32)


def left_out(cells: Float32, coefficients: Float32, kept: Float32) -> Float32:
    """Light that a fit with lowered weights leaves out, per fine cell: residual times the weight lost."""
    residual = cells[..., 1] - cells[..., 0] * sampled(cells, coefficients)
    return np.asarray((1 - finely(kept, cells)) * residual, dtype=np.float32)


def noise_power(cells: Float32, kept: Float32, reach: Float32, given: Float32, power: Float32) -> None:
    """Lay down the noise power of the samples where they lie; ``power`` (ph, pw) is added to.

    ``reach`` and ``given`` (ph, pw) hold spline coefficients u and g: a sample of weight w at x adds
    ``w (k u(x) + (1 - k) g(x))`` times its value to the sum of the whole plane, k the share of its weight that it
    keeps in the fit. The square of that times its variance v is its noise power in sums over areas. Without lowered
    weights u is the solution of ``A u = 1``.
    """
    share = finely(kept, cells)
    reached = share * sampled(cells, reach) + (1 - share) * sampled(cells, given)
    scattered(cells, np.asarray(reached**2 * cells[..., 4], dtype=np.float32), power)
