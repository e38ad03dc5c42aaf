"""Where each star stands in one colour plane, compared with its place in all planes together."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from fourlight.core.starfit import _solve
from fourlight.core.starshape import star_equations

__all__ = ["plane_places"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]

_STEPS = 4


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
    full, right = np.empty((7, 7)), np.empty(7)
    work, vector, p = np.empty((4, 4)), np.empty(4), np.empty(4)
    for k in range(n):
        p[0], p[1], p[2], p[3] = x[k] + shape[3], y[k] + shape[4], 0.0, 0.0
        x0, y0 = p[0], p[1]
        fine = True
        for step in range(_STEPS + 1):
            star_equations(
                image, cell, plane, variance, poisson, p[0], p[1], shape[:3], p[2], p[3], radius, full, right
            )
            work[:], vector[:] = full[3:, 3:], right[3:]
            if (
                step == 0
            ):  # without an amplitude the place has no say: the first step finds the amplitude alone
                work[0, 0], work[1, 1] = 1.0, 1.0
            if not _solve(work, vector, 4):
                fine = False
                break
            p += vector
            fine = abs(p[0] - x0) < 2.0 and abs(p[1] - y0) < 2.0 and p[2] > 0
            if not fine:
                break
        if not fine or np.abs(vector[:2]).max() > 1e-2:
            continue
        a, b, c = full[3, 3], full[4, 3], full[4, 4]
        det = a * c - b * b
        if det > 0:
            offset[k, 0], offset[k, 1] = p[0] - x[k], p[1] - y[k]
            error[k] = np.sqrt(0.5 * (a + c) / det)
    return offset, error
