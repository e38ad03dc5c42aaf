"""One star shape per colour plane for a whole frame, and the fluxes that follow from it.

The positions come from fits over all planes together. Width measured separately for each star and plane is
biased by the sparse samples of one plane; one shape shared by all stars of a plane is not.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from fourlight.core.starfit import BETA, _solve

__all__ = ["aperture_ratios", "plane_fluxes", "plane_shape", "star_equations"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]


@njit(cache=True, nogil=True)
def _level_fit(
    image: Float32, cell: Int64, plane: int, variance: float, poisson: float,
    cx: float, cy: float, shape: Float64, r: int, guess: float,
) -> tuple[float, float, float]:  # fmt: skip
    """Amplitude, its variance and sky of one star in one plane at a fixed shape; variance < 0: no fit."""
    ny, nx = image.shape
    x0, y0 = int(np.rint(cx)), int(np.rint(cy))
    saa = sab = sbb = ya = yb = 0.0
    for y in range(max(0, y0 - r), min(ny, y0 + r + 1)):
        for x in range(max(0, x0 - r), min(nx, x0 + r + 1)):
            value = image[y, x]
            if cell[y % 2, x % 2] != plane or value != value or (x - x0) ** 2 + (y - y0) ** 2 > r * r + r:
                continue
            dx, dy = x - cx, y - cy
            f = (1.0 + shape[0] * dx * dx + 2 * shape[1] * dx * dy + shape[2] * dy * dy) ** -BETA
            w = 1.0 / (variance + poisson * max(guess * f, 0.0))
            saa += w * f * f
            sab += w * f
            sbb += w
            ya += w * f * value
            yb += w * value
    det = saa * sbb - sab * sab
    if not det > 1e-9 * saa * sbb:
        return 0.0, -1.0, 0.0
    return (sbb * ya - sab * yb) / det, sbb / det, (saa * yb - sab * ya) / det


@njit(cache=True, nogil=True)
def star_equations(
    image: Float32, cell: Int64, plane: int, variance: float, poisson: float, cx: float, cy: float,
    shape: Float64, amplitude: float, sky: float, r: int, full: Float64, right: Float64,
) -> None:  # fmt: skip
    """Fill the normal equations of one star in one plane, lower triangle (7, 7) and right-hand side (7,).

    Unknowns are corrections to ``a, b, c`` of the shape, to x and y, to amplitude and to sky; the disc of radius ``r``
    is centred on the pixel nearest to ``cx, cy``.
    """
    ny, nx = image.shape
    full[:] = 0.0
    right[:] = 0.0
    g = np.empty(7)
    x0, y0 = int(np.rint(cx)), int(np.rint(cy))
    for j in range(max(0, y0 - r), min(ny, y0 + r + 1)):
        for i in range(max(0, x0 - r), min(nx, x0 + r + 1)):
            value = image[j, i]
            if cell[j % 2, i % 2] != plane or value != value or (i - x0) ** 2 + (j - y0) ** 2 > r * r + r:
                continue
            dx, dy = i - cx, j - cy
            base = 1.0 + shape[0] * dx * dx + 2 * shape[1] * dx * dy + shape[2] * dy * dy
            f = base**-BETA
            slope = -BETA * amplitude * f / base
            g[0], g[1], g[2] = slope * dx * dx, 2 * slope * dx * dy, slope * dy * dy
            g[3] = -slope * (2 * shape[0] * dx + 2 * shape[1] * dy)
            g[4] = -slope * (2 * shape[2] * dy + 2 * shape[1] * dx)
            g[5], g[6] = f, 1.0
            w = 1.0 / (variance + poisson * max(amplitude * f, 0.0))
            residual = value - amplitude * f - sky
            for u in range(7):
                right[u] += w * g[u] * residual
                for v in range(u + 1):
                    full[u, v] += w * g[u] * g[v]


@njit(cache=True, nogil=True)
def _shape_step(
    image: Float32, cell: Int64, plane: int, variance: float, poisson: float, x: Float64, y: Float64,
    p: Float64, amplitude: Float64, r: int, matrix: Float64, vector: Float64,
) -> None:  # fmt: skip
    """Normal equations of the five shared parameters, each star's amplitude and sky projected out."""
    matrix[:] = 0.0
    vector[:] = 0.0
    full, right = np.empty((7, 7)), np.empty(7)
    for k in range(x.size):
        cx, cy = x[k] + p[3], y[k] + p[4]
        a, _, sky = _level_fit(image, cell, plane, variance, poisson, cx, cy, p[:3], r, amplitude[k])
        if a <= 0:
            continue
        amplitude[k] = a
        star_equations(image, cell, plane, variance, poisson, cx, cy, p[:3], a, sky, r, full, right)
        _project(full, right, matrix, vector)


@njit(cache=True, nogil=True)
def _project(full: Float64, right: Float64, matrix: Float64, vector: Float64) -> None:
    """Add one star's 7 x 7 equations to the shared 5 x 5 ones with its own two unknowns eliminated."""
    for u in range(7):
        for v in range(u):
            full[v, u] = full[u, v]
    a, b, c = full[5, 5], full[6, 5], full[6, 6]
    det = a * c - b * b
    if det <= 0:
        return
    for u in range(5):
        e, f = (c * full[u, 5] - b * full[u, 6]) / det, (a * full[u, 6] - b * full[u, 5]) / det
        vector[u] += right[u] - e * right[5] - f * right[6]
        for v in range(5):
            matrix[u, v] += full[u, v] - e * full[5, v] - f * full[6, v]


@njit(cache=True, nogil=True)
def plane_shape(
    image: Float32, cell: Int64, plane: int, variance: float, poisson: float, x: Float64, y: Float64,
    start: Float64, radius: int,
) -> tuple[Float64, bool]:  # fmt: skip
    """Shape and shift that one plane's samples of all given stars share.

    Parameters
    ----------
    image : (ny, nx) float32
        Calibrated mosaic frame; NaN left out.
    cell : (2, 2) int64
        Plane index of ``[y % 2, x % 2]``.
    plane : int
        Which plane.
    variance, poisson : float
        Variance of a sample at the sky level, and variance per unit of signal.
    x, y : (n,) float64
        Positions common to all planes; bright unsaturated stars.
    start : (3,) float64
        ``a, b, c`` to start from.
    radius : int
        Radius in pixels of the disc that is fitted.

    Returns
    -------
    (5,) float64
        ``a, b, c`` of the profile in `fourlight.core.starfit` and the plane's shift ``dx, dy`` in pixels.
    bool
        False where the fit did not settle; the start values are returned then.
    """
    p = np.zeros(5)
    p[:3] = start
    matrix, vector = np.empty((5, 5)), np.empty(5)
    amplitude = np.zeros(x.size)
    for _ in range(12):
        _shape_step(image, cell, plane, variance, poisson, x, y, p, amplitude, radius, matrix, vector)
        for i in range(5):
            matrix[i, i] *= 1.0 + 1e-6
        if not _solve(matrix, vector, 5):
            break
        scale = 1.0
        while scale > 1e-3:
            a, b, c = p[0] + scale * vector[0], p[1] + scale * vector[1], p[2] + scale * vector[2]
            if a > 0.3 * p[0] and c > 0.3 * p[2] and a * c > 1.05 * b * b:
                break
            scale *= 0.5
        if scale <= 1e-3 or abs(p[3]) + abs(p[4]) > 0.5 * radius:
            break
        p += scale * vector
        if abs(vector[0]) + abs(vector[2]) < 1e-4 * (p[0] + p[2]) and abs(vector[3]) + abs(vector[4]) < 1e-4:
            return p, True
    p[:3] = start
    p[3:] = 0.0
    return p, False


@njit(cache=True, nogil=True)
def plane_fluxes(
    image: Float32, cell: Int64, plane: int, variance: float, poisson: float, x: Float64, y: Float64,
    shape: Float64, radius: int,
) -> tuple[Float64, Float64]:  # fmt: skip
    """Flux and its error of each star in one plane, at the plane's own shape and shift.

    Returns
    -------
    flux, error : (n,) float64
        Total flux of the fitted profile and one sigma, units of the samples; error NaN where no fit.
    """
    n = x.size
    flux, error = np.zeros(n), np.full(n, np.nan)
    area = np.pi / ((BETA - 1) * np.sqrt(shape[0] * shape[2] - shape[1] * shape[1]))
    for k in range(n):
        guess = 0.0
        spread = -1.0
        for _ in range(3):
            guess, spread, _ = _level_fit(
                image,
                cell,
                plane,
                variance,
                poisson,
                x[k] + shape[3],
                y[k] + shape[4],
                shape[:3],
                radius,
                guess,
            )
        if spread >= 0:
            flux[k], error[k] = area * guess, area * np.sqrt(spread)
    return flux, error


@njit(cache=True, nogil=True)
def aperture_ratios(
    image: Float32, cell: Int64, x: Float64, y: Float64, flux: Float64, shapes: Float64, radius: float
) -> Float64:
    """Light inside a disc over what the fitted profiles say for the same samples, per star.

    The profile misses part of the wings in a way that changes with the seeing; the mean of these ratios over
    bright stars turns profile fluxes into aperture fluxes. Samples count in units of their plane's flux, so
    that all four planes together sample the disc at every pixel: a single plane of a sharp star, seen at every
    other pixel only, scatters by per cents. The sky of each plane comes from a ring of 1.0 to 1.5 radii.

    Parameters
    ----------
    image : (ny, nx) float32
        Calibrated mosaic frame; NaN left out.
    cell : (2, 2) int64
    x, y : (n,) float64
        Positions common to all planes.
    flux : (n, 4) float64
        Profile flux per plane; planes without light (flux <= 0) are left out.
    shapes : (4, 5) float64
        From `plane_shape`.
    radius : float
        Of the disc, pixels.

    Returns
    -------
    (n,) float64
        NaN where disc and ring do not lie inside the frame or the core has a defect.
    """
    ny, nx = image.shape
    out = np.full(x.size, np.nan)
    reach = int(np.ceil(1.5 * radius)) + 1
    ring = np.empty((4, (reach + 1) ** 2))
    for k in range(x.size):
        x0, y0 = int(np.rint(x[k])), int(np.rint(y[k]))
        if x0 < reach or y0 < reach or x0 >= nx - reach or y0 >= ny - reach:
            continue
        light, model, inside, n = np.zeros(4), np.zeros(4), np.zeros(4), np.zeros(4, dtype=np.int64)
        whole = True
        for j in range(y0 - reach, y0 + reach + 1):
            for i in range(x0 - reach, x0 + reach + 1):
                plane = cell[j % 2, i % 2]
                shape = shapes[plane]
                dx, dy = i - x[k] - shape[3], j - y[k] - shape[4]
                d2, value = dx * dx + dy * dy, image[j, i]
                if value != value:
                    whole = whole and d2 > 0.25 * radius * radius
                elif d2 <= radius * radius:
                    light[plane] += value
                    inside[plane] += 1
                    peak = (BETA - 1) * np.sqrt(shape[0] * shape[2] - shape[1] * shape[1]) / np.pi
                    model[plane] += (
                        peak * (1 + shape[0] * dx * dx + 2 * shape[1] * dx * dy + shape[2] * dy * dy) ** -BETA
                    )
                elif d2 <= 2.25 * radius * radius:
                    ring[plane, n[plane]] = value
                    n[plane] += 1
        data = total = 0.0
        for plane in range(4):
            if flux[k, plane] > 0 and n[plane] > 8:
                data += (light[plane] - inside[plane] * np.median(ring[plane, : n[plane]])) / flux[k, plane]
                total += model[plane]
        if whole and total > 0.5:
            out[k] = data / total
    return out
