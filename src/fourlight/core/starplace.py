"""Where each star stands in one colour plane, compared with its place in all planes together."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from fourlight.core.starfit import BETA, _solve

__all__ = ["plane_places"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]

_STEPS = 4


@njit(cache=True, nogil=True)
def _step(
    image: Float32, cell: Int64, plane: int, variance: float, poisson: float, x0: int, y0: int,
    shape: Float64, r: int, p: Float64, matrix: Float64, vector: Float64,
) -> None:  # fmt: skip
    """Normal equations of x, y, amplitude and sky of one star in one plane at parameters ``p``."""
    matrix[:] = 0.0
    vector[:] = 0.0
    ny, nx = image.shape
    g = np.empty(4)
    for y in range(max(0, y0 - r), min(ny, y0 + r + 1)):
        for x in range(max(0, x0 - r), min(nx, x0 + r + 1)):
            value = image[y, x]
            if cell[y % 2, x % 2] != plane or value != value or (x - x0) ** 2 + (y - y0) ** 2 > r * r + r:
                continue
            dx, dy = x - p[0], y - p[1]
            base = 1.0 + shape[0] * dx * dx + 2 * shape[1] * dx * dy + shape[2] * dy * dy
            f = base**-BETA
            slope = -BETA * p[2] * f / base
            g[0] = -slope * (2 * shape[0] * dx + 2 * shape[1] * dy)
            g[1] = -slope * (2 * shape[2] * dy + 2 * shape[1] * dx)
            g[2], g[3] = f, 1.0
            w = 1.0 / (variance + poisson * max(p[2] * f, 0.0))
            residual = value - p[2] * f - p[3]
            for u in range(4):
                vector[u] += w * g[u] * residual
                for v in range(u + 1):
                    matrix[u, v] += w * g[u] * g[v]


@njit(cache=True, nogil=True)
def plane_places(
    image: Float32, cell: Int64, plane: int, variance: float, poisson: float, x: Float64, y: Float64,
    shape: Float64, radius: int,
) -> tuple[Float64, Float64]:  # fmt: skip
    """Offset of each star in one plane from the place given, by least squares at the plane's own shape.

    Parameters
    ----------
    image : (ny, nx) float32
        Calibrated mosaic frame; NaN left out.
    cell : (2, 2) int64
        Plane index of ``[y % 2, x % 2]``.
    plane : int
    variance, poisson : float
        Variance of a sample at the sky level, and variance per unit of signal.
    x, y : (n,) float64
        Places common to all planes; bright unsaturated stars.
    shape : (5,) float64
        From `fourlight.core.starshape.plane_shape`; its shift is where the search starts.
    radius : int
        Of the disc that is fitted, pixels.

    Returns
    -------
    offset : (n, 2) float64
        Pixels, x and y.
    error : (n,) float64
        One sigma per axis; NaN where the star cannot be placed in this plane.
    """
    n = x.size
    offset, error = np.zeros((n, 2)), np.full(n, np.nan)
    matrix, vector, work, p = np.empty((4, 4)), np.empty(4), np.empty((4, 4)), np.empty(4)
    for k in range(n):
        x0, y0 = int(np.rint(x[k] + shape[3])), int(np.rint(y[k] + shape[4]))
        p[0], p[1], p[2], p[3] = x[k] + shape[3], y[k] + shape[4], 0.0, 0.0
        fine = True
        for step in range(_STEPS + 1):
            # Without an amplitude the place has no say: the first step finds the amplitude alone.
            _step(image, cell, plane, variance, poisson, x0, y0, shape, radius, p, matrix, vector)
            work[:] = matrix
            if step == 0:
                work[0, 0], work[1, 1] = 1.0, 1.0
            fine = _solve(work, vector, 4)
            if not fine:
                break
            p += vector
            fine = abs(p[0] - x0) < 2.0 and abs(p[1] - y0) < 2.0 and p[2] > 0
            if not fine:
                break
        if not fine or np.abs(vector[:2]).max() > 1e-2:
            continue
        a, b, c = matrix[0, 0], matrix[1, 0], matrix[1, 1]
        det = a * c - b * b
        if det > 0:
            offset[k, 0], offset[k, 1] = p[0] - x[k], p[1] - y[k]
            error[k] = np.sqrt(0.5 * (a + c) / det)
    return offset, error
