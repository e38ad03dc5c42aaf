"""The equations that fit profiles to the samples of stars in one plane, for `LANES` stars at a time.

The work space is one row of `LANES` numbers for each quantity: that all of it lies in one array at fixed distances is
what lets the compiler work on several stars in one instruction. First come the parameters (shape ``a, b, c`` and place
``x, y``, which planes share; amplitude, sky, variance of a sample at the sky level), then the sums: products of
derivatives (lower triangle, row by row), derivatives times residuals, chi-square.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from fourlight.core.starmodel import BETA, LANES

__all__ = ["WORK", "amplitude_of", "eliminate", "equations_of", "set_star", "solve", "star_equations"]

Float64 = npt.NDArray[np.float64]

_ROWS = 44
(
    _A, _B, _C, _X, _Y, _LIGHT, _SKY, _VARIANCE,
    _AA, _BA, _BB, _CA, _CB, _CC, _XA, _XB, _XC, _XX, _YA, _YB, _YC, _YX, _YY,
    _FA, _FB, _FC, _FX, _FY, _FF, _SA, _SB, _SC, _SX, _SY, _SF, _SS,
    _RA, _RB, _RC, _RX, _RY, _RF, _RS, _CHI,
) = (LANES * row for row in range(_ROWS))  # fmt: skip

WORK = LANES * _ROWS
"""Size of the work space."""


@njit(cache=True, nogil=True, error_model="numpy")
def set_star(
    work: Float64, lane: int, common: Float64, amplitude: float, sky: float, variance: float
) -> None:
    """Put the parameters of one star in the work space."""
    for u in range(5):
        work[u * LANES + lane] = common[u]
    work[_LIGHT + lane], work[_SKY + lane], work[_VARIANCE + lane] = amplitude, sky, variance


@njit(cache=True, nogil=True, error_model="numpy")
def amplitude_of(work: Float64, lane: int) -> float:
    """Amplitude that `set_star` put there."""
    return float(work[_LIGHT + lane])


@njit(cache=True, nogil=True, error_model="numpy")
def equations_of(work: Float64, lane: int, full: Float64, right: Float64) -> float:
    """Fill the normal equations of one star, lower triangle (7, 7) and right-hand side (7,); returns chi-square.

    Unknowns are corrections to ``a, b, c``, to ``x, y``, to amplitude and to sky.
    """
    k = _AA + lane
    for u in range(7):
        for v in range(u + 1):
            full[u, v] = work[k]
            k += LANES
    for u in range(7):
        right[u] = work[k]
        k += LANES
    return float(work[_CHI + lane])


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _add_residual(
    work: Float64, i: int, w: float, residual: float, ga: float, gb: float, gc: float, gx: float, gy: float,
    f: float,
) -> None:  # fmt: skip
    """Add one sample to chi-square and to the derivatives times residuals of a lane."""
    h = w * residual
    work[_CHI + i] += h * residual
    work[_RA + i] += h * ga
    work[_RB + i] += h * gb
    work[_RC + i] += h * gc
    work[_RX + i] += h * gx
    work[_RY + i] += h * gy
    work[_RF + i] += h * f
    work[_RS + i] += h


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _add_shape(
    work: Float64, i: int, w: float, ga: float, gb: float, gc: float, gx: float, gy: float, f: float
) -> None:
    """Add one sample to the products with the derivatives by ``a, b, c``."""
    h = w * ga
    work[_AA + i] += h * ga
    work[_BA + i] += h * gb
    work[_CA + i] += h * gc
    work[_XA + i] += h * gx
    work[_YA + i] += h * gy
    work[_FA + i] += h * f
    work[_SA + i] += h
    h = w * gb
    work[_BB + i] += h * gb
    work[_CB + i] += h * gc
    work[_XB + i] += h * gx
    work[_YB + i] += h * gy
    work[_FB + i] += h * f
    work[_SB + i] += h
    h = w * gc
    work[_CC + i] += h * gc
    work[_XC + i] += h * gx
    work[_YC + i] += h * gy
    work[_FC + i] += h * f
    work[_SC + i] += h


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _add_rest(work: Float64, i: int, w: float, gx: float, gy: float, f: float) -> None:
    """Add one sample to the products of the derivatives by place, amplitude and sky with each other."""
    h = w * gx
    work[_XX + i] += h * gx
    work[_YX + i] += h * gy
    work[_FX + i] += h * f
    work[_SX + i] += h
    h = w * gy
    work[_YY + i] += h * gy
    work[_FY + i] += h * f
    work[_SY + i] += h
    h = w * f
    work[_FF + i] += h * f
    work[_SF + i] += h
    work[_SS + i] += w


@njit(cache=True, nogil=True, error_model="numpy")
def star_equations(samples: Float64, poisson: float, work: Float64) -> None:
    """Fill the sums of all lanes from the parameters there; ``samples`` as in `fourlight.core.starmodel`."""
    for k in range(_AA, WORK):
        work[k] = 0.0
    for k in range(samples.shape[1]):
        px, py, value, use = samples[0, k], samples[1, k], samples[2, k], samples[3, k]
        for i in range(LANES):
            dx, dy = px[i] - work[_X + i], py[i] - work[_Y + i]
            gx, gy = work[_A + i] * dx + work[_B + i] * dy, work[_B + i] * dx + work[_C + i] * dy
            inverse = 1.0 / max(1.0 + gx * dx + gy * dy, 0.1)
            f = inverse**BETA
            light = work[_LIGHT + i] * f
            slope = -BETA * light * inverse
            gx, gy = -2.0 * slope * gx, -2.0 * slope * gy
            ga, gb, gc = slope * dx * dx, 2.0 * slope * dx * dy, slope * dy * dy
            w = use[i] / (work[_VARIANCE + i] + poisson * max(light, 0.0))
            residual = value[i] - light - work[_SKY + i]
            _add_residual(work, i, w, residual, ga, gb, gc, gx, gy, f)
            _add_shape(work, i, w, ga, gb, gc, gx, gy, f)
            _add_rest(work, i, w, gx, gy, f)


@njit(cache=True, nogil=True, error_model="numpy")
def eliminate(full: Float64, right: Float64, damping: float, matrix: Float64, vector: Float64) -> None:
    """Add the equations of one plane to those of what planes share (5 x 5), its amplitude and sky eliminated.

    Diagonals count ``1 + damping`` fold. A plane that does not tell its two from each other is left out.
    """
    a, b, c = full[5, 5] * (1 + damping), full[6, 5], full[6, 6] * (1 + damping)
    det = a * c - b * b
    if not det > 0:
        return
    for u in range(5):
        e, f = (c * full[5, u] - b * full[6, u]) / det, (a * full[6, u] - b * full[5, u]) / det
        vector[u] += right[u] - e * right[5] - f * right[6]
        for v in range(u + 1):
            matrix[u, v] += full[u, v] - e * full[5, v] - f * full[6, v]
        matrix[u, u] += damping * full[u, u]


@njit(cache=True, nogil=True, error_model="numpy")
def solve(matrix: Float64, vector: Float64) -> bool:
    """Solve ``matrix s = vector`` in place by Cholesky, from the lower triangle; False when not positive definite."""
    n = len(vector)
    for i in range(n):
        for j in range(i + 1):
            total = matrix[i, j]
            for k in range(j):
                total -= matrix[i, k] * matrix[j, k]
            if i == j:
                if not total > 0.0:
                    return False
                matrix[i, i] = np.sqrt(total)
            else:
                matrix[i, j] = total / matrix[j, j]
    for i in range(n):
        total = vector[i]
        for k in range(i):
            total -= matrix[i, k] * vector[k]
        vector[i] = total / matrix[i, i]
    for i in range(n - 1, -1, -1):
        total = vector[i]
        for k in range(i + 1, n):
            total -= matrix[k, i] * vector[k]
        vector[i] = total / matrix[i, i]
    return True
