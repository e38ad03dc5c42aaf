"""Fitting stars straight to the mosaic samples: one position and shape, a flux and a sky level per plane.

Model of a sample of plane c at (x, y): ``A_c (1 + Q)^-beta + S_c`` with
``Q = a dx^2 + 2 b dx dy + c dy^2``, the elliptical Moffat profile (Moffat 1969). The pixel is treated as a
point, so widths include the pixel. Samples are weighted by the inverse of sky variance plus the model's own
photon noise, never by the sample's value, which would bias fluxes low.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

__all__ = ["BETA", "fit_stars", "moffat_fwhm", "moffat_shape"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]

BETA = 3.0
"""Exponent of the profile; aperture fluxes correct what it misses."""

NPAR = 13
"""x, y, a, b, c, then amplitude and sky level of each of the four planes."""


def moffat_shape(fwhm_px: float) -> float:
    """Coefficient ``a`` (= ``c``, with ``b`` = 0) of a round profile of this width.

    >>> round(float(moffat_fwhm(moffat_shape(3.2), 0.0, moffat_shape(3.2))[0]), 6)
    3.2
    """
    return float((2 ** (1 / BETA) - 1) / (0.5 * fwhm_px) ** 2)


@njit(cache=True, nogil=True)
def moffat_fwhm(a: float, b: float, c: float) -> tuple[float, float, float]:
    """Geometric-mean FWHM (pixels), elongation (>= 1) and angle (radians, x towards y) of a profile.

    >>> width, long, angle = moffat_fwhm(0.25, 0.0, 1.0)
    >>> round(width, 4), round(long, 4), abs(angle)
    (1.442, 2.0, 0.0)
    """
    mean, half = 0.5 * (a + c), np.sqrt(0.25 * (a - c) ** 2 + b * b)
    small, large = max(mean - half, 1e-12), mean + half
    k = np.sqrt(2 ** (1 / BETA) - 1)
    major, minor = 2 * k / np.sqrt(small), 2 * k / np.sqrt(large)
    angle = 0.5 * np.arctan2(-2 * b, -(a - c))
    return np.sqrt(major * minor), major / minor, angle


@njit(cache=True, nogil=True)
def _solve(matrix: Float64, vector: Float64, n: int) -> bool:
    """Solve ``matrix[:n, :n] s = vector[:n]`` in place by Cholesky; False when not positive definite."""
    for i in range(n):
        for j in range(i + 1):
            total = matrix[i, j]
            for k in range(j):
                total -= matrix[i, k] * matrix[j, k]
            if i == j:
                if total <= 0.0:
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


@njit(cache=True, nogil=True)
def _normal_equations(
    image: Float32, cell: Int64, variance: Float64, poisson: float, x0: int, y0: int, r: int,
    p: Float64, matrix: Float64, vector: Float64,
) -> float:  # fmt: skip
    """Fill the normal equations of one star at parameters ``p``; returns chi-square."""
    matrix[:] = 0.0
    vector[:] = 0.0
    grad = np.zeros(NPAR)
    chi2 = 0.0
    ny, nx = image.shape
    for y in range(max(0, y0 - r), min(ny, y0 + r + 1)):
        dy = y - p[1]
        for x in range(max(0, x0 - r), min(nx, x0 + r + 1)):
            value = image[y, x]
            if value != value or (x - x0) ** 2 + (y - y0) ** 2 > r * r + r:
                continue
            plane = cell[y % 2, x % 2]
            ia, ib = 5 + 2 * plane, 6 + 2 * plane
            dx = x - p[0]
            base = max(1.0 + p[2] * dx * dx + 2 * p[3] * dx * dy + p[4] * dy * dy, 0.1)
            f = base**-BETA
            amplitude = p[ia]
            slope = -BETA * amplitude * f / base
            grad[0] = -slope * (2 * p[2] * dx + 2 * p[3] * dy)
            grad[1] = -slope * (2 * p[4] * dy + 2 * p[3] * dx)
            grad[2], grad[3], grad[4] = slope * dx * dx, 2 * slope * dx * dy, slope * dy * dy
            residual = value - amplitude * f - p[ib]
            weight = 1.0 / (variance[plane] + poisson * max(amplitude * f, 0.0))
            chi2 += weight * residual * residual
            for i in range(5):
                gi = weight * grad[i]
                vector[i] += gi * residual
                for j in range(i + 1):
                    matrix[i, j] += gi * grad[j]
                matrix[ia, i] += gi * f
                matrix[ib, i] += gi
            matrix[ia, ia] += weight * f * f
            matrix[ib, ia] += weight * f
            matrix[ib, ib] += weight
            vector[ia] += weight * f * residual
            vector[ib] += weight * residual
    return chi2


@njit(cache=True, nogil=True)
def _linear_start(image: Float32, cell: Int64, x0: int, y0: int, r: int, p: Float64) -> None:
    """Start values of amplitude (brightest sample of the core over the rim) and sky (mean of the rim)."""
    ny, nx = image.shape
    total, count, peak = np.zeros(4), np.zeros(4), np.full(4, -1e30)
    for y in range(max(0, y0 - r), min(ny, y0 + r + 1)):
        for x in range(max(0, x0 - r), min(nx, x0 + r + 1)):
            value = image[y, x]
            if value != value:
                continue
            plane = cell[y % 2, x % 2]
            d2 = (x - x0) ** 2 + (y - y0) ** 2
            if d2 >= (r - 1) * (r - 1):
                total[plane] += value
                count[plane] += 1
            if d2 <= 2 and value > peak[plane]:
                peak[plane] = value
    for plane in range(4):
        sky = total[plane] / count[plane] if count[plane] > 0 else 0.0
        p[6 + 2 * plane] = sky
        p[5 + 2 * plane] = max(peak[plane] - sky, 1e-6)


@njit(cache=True, nogil=True)
def _fit_one(
    image: Float32, cell: Int64, variance: Float64, poisson: float, x0: int, y0: int, r: int, p: Float64
) -> bool:
    """Levenberg-Marquardt from start values in ``p`` (in place); False where it does not settle."""
    matrix, vector = np.zeros((NPAR, NPAR)), np.zeros(NPAR)
    trial, damping = np.empty(NPAR), 1e-3
    work, step = np.empty((NPAR, NPAR)), np.empty(NPAR)
    chi2 = _normal_equations(image, cell, variance, poisson, x0, y0, r, p, matrix, vector)
    for _ in range(25):
        work[:] = matrix
        step[:] = vector
        for i in range(NPAR):
            work[i, i] = matrix[i, i] * (1 + damping) + 1e-12
        if not _solve(work, step, NPAR):
            return False
        trial[:] = p + step
        fine = trial[2] > 0 and trial[4] > 0 and trial[2] * trial[4] > 1.05 * trial[3] ** 2
        fine = fine and abs(trial[0] - x0) < 0.7 * r and abs(trial[1] - y0) < 0.7 * r
        if fine:
            other = _normal_equations(image, cell, variance, poisson, x0, y0, r, trial, matrix, vector)
            # Model weights move with the model, so allow the sum to rise by a hair near the minimum.
            fine = other < chi2 * (1 + 1e-4)
        if fine:
            p[:] = trial
            chi2 = other
            damping *= 0.2
            if abs(step[0]) + abs(step[1]) < 2e-4 and abs(step[2]) + abs(step[4]) < 2e-3 * (p[2] + p[4]):
                return True
        else:
            damping *= 8.0
            if damping > 1e6:
                return False
            chi2 = _normal_equations(image, cell, variance, poisson, x0, y0, r, p, matrix, vector)
    return False


@njit(cache=True, nogil=True)
def fit_stars(
    image: Float32, cell: Int64, variance: Float64, poisson: float, x: Float64, y: Float64,
    fwhm_px: float, radius: int,
) -> tuple[Float64, npt.NDArray[np.bool_]]:  # fmt: skip
    """Position, shape and per-plane level of each star from the raw mosaic samples around it.

    Parameters
    ----------
    image : (ny, nx) float32
        Calibrated mosaic frame; NaN samples are left out.
    cell : (2, 2) int64
        Plane index of ``[y % 2, x % 2]``.
    variance : (4,) float64
        Variance of one sample at the sky level, per plane.
    poisson : float
        Variance per unit of signal: 1 when samples are in electrons, 0 when the gain is unknown.
    x, y : (n,) float64
        Start positions.
    fwhm_px : float
        Start width.
    radius : int
        Radius in pixels of the disc that is fitted.

    Returns
    -------
    parameters : (n, 13) float64
        ``x, y, a, b, c`` and amplitude, sky of R, G1, G2, B.
    settled : (n,) bool
        False where the fit found no star.

    Examples
    --------
    >>> y, x = np.mgrid[:30, :30]
    >>> star = 5 + 90 * (1 + 0.3 * ((x - 14.3) ** 2 + (y - 15.2) ** 2)) ** -3.0
    >>> cell, start = np.array([[0, 1], [2, 3]]), (np.array([14.0]), np.array([15.0]))
    >>> found, settled = fit_stars(star.astype(np.float32), cell, np.ones(4), 1.0, *start, 2.0, 7)
    >>> found[0, :2].round(3).tolist(), bool(settled[0])
    ([14.3, 15.2], True)
    """
    n = x.size
    out = np.zeros((n, NPAR))
    settled = np.zeros(n, dtype=np.bool_)
    shape = (2 ** (1 / BETA) - 1) / (0.5 * fwhm_px) ** 2
    for k in range(n):
        p = out[k]
        x0, y0 = int(np.rint(x[k])), int(np.rint(y[k]))
        p[0], p[1], p[2], p[4] = x[k], y[k], shape, shape
        _linear_start(image, cell, x0, y0, radius, p)
        settled[k] = _fit_one(image, cell, variance, poisson, x0, y0, radius, p)
    return out, settled
