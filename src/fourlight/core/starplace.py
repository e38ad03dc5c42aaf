"""Where each star stands in one colour plane, compared with its place in all planes together."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from fourlight.core.starequations import WORK, equations_of, set_star, solve, star_equations
from fourlight.core.starmodel import LANES, disc_room, disc_samples

__all__ = ["plane_places"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]

_STEPS = 4


@njit(cache=True, nogil=True, error_model="numpy")
def _corrected(
    common: Float64,
    level: Float64,
    full: Float64,
    right: Float64,
    alone: bool,
    matrix: Float64,
    change: Float64,
) -> bool:
    """Add a step to place and levels (in place), ``alone`` to levels only; False where there is none."""
    for u in range(4):
        change[u] = right[3 + u]
        for v in range(u + 1):
            matrix[u, v] = full[3 + u, 3 + v]
    if alone:
        matrix[0, 0], matrix[1, 1] = 1.0, 1.0
    if not solve(matrix, change):
        return False
    for u in range(2):
        common[3 + u] += change[u]
        level[u] += change[2 + u]
    return True


@njit(cache=True, nogil=True, error_model="numpy")
def _place_all(
    samples: Float64, poisson: float, variance: float, common: Float64, level: Float64, fine: npt.NDArray[np.bool_],
    full: Float64,
) -> None:  # fmt: skip
    """Move the places ``common[:, 3:]`` to where stars stand (in place), and fill the equations there.

    ``fine`` tells which lanes hold a star, and after that which have been placed.
    """
    work, right, matrix, change = np.empty(WORK), np.empty(7), np.empty((4, 4)), np.empty(4)
    start = common.copy()
    level[:] = 0.0
    for step in range(_STEPS + 1):
        for lane in range(LANES):
            set_star(work, lane, common[lane], level[lane, 0], level[lane, 1], variance)
        star_equations(samples, poisson, work)
        for lane in range(LANES):
            if not fine[lane]:
                continue
            equations_of(work, lane, full[lane], right)
            # without an amplitude the place has no say: the first step finds the amplitude alone
            moved = _corrected(common[lane], level[lane], full[lane], right, step == 0, matrix, change)
            away = max(abs(common[lane, 3] - start[lane, 3]), abs(common[lane, 4] - start[lane, 4]))
            fine[lane] = moved and away < 2.0 and level[lane, 0] > 0
            if step == _STEPS and max(abs(change[0]), abs(change[1])) > 1e-2:
                fine[lane] = False


@njit(cache=True, nogil=True, error_model="numpy")
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
    offset, error = np.zeros((x.size, 2)), np.full(x.size, np.nan)
    samples, full = np.zeros((4, disc_room(cell, radius), LANES)), np.empty((LANES, 7, 7))
    common, level, fine = np.empty((LANES, 5)), np.empty((LANES, 2)), np.empty(LANES, dtype=np.bool_)
    for first in range(0, x.size, LANES):
        for lane in range(LANES):
            k = min(first + lane, x.size - 1)
            fine[lane] = first + lane < x.size
            x0, y0 = int(np.rint(x[k] + shape[3])), int(np.rint(y[k] + shape[4]))
            disc_samples(image, cell, plane, x0, y0, radius, samples, lane)
            for u in range(5):
                common[lane, u] = shape[u]
            common[lane, 3] += x[k] - x0
            common[lane, 4] += y[k] - y0
        _place_all(samples, poisson, variance, common, level, fine, full)
        for lane in range(LANES):
            a, b, c = full[lane, 3, 3], full[lane, 4, 3], full[lane, 4, 4]
            det = a * c - b * b
            if fine[lane] and det > 0:
                k = first + lane
                offset[k, 0] = common[lane, 3] + np.rint(x[k] + shape[3]) - x[k]
                offset[k, 1] = common[lane, 4] + np.rint(y[k] + shape[4]) - y[k]
                error[k] = np.sqrt(0.5 * (a + c) / det)
    return offset, error
