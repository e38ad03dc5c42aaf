"""The equations of one star shape in one colour of a frame, with the weights that all colours share."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from fourlight.core.pixelprofile import fill_profile, point_value
from fourlight.core.profilerest import rest_at
from fourlight.core.starmodel import disc_room, disc_samples

__all__ = ["levels", "star_sums"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]


@njit(cache=True, nogil=True, error_model="numpy")
def _sums(
    profile: Float64, values: Float64, weight: Float64, n: int, matrix: Float64, vector: Float64
) -> float:
    """Add a star's equations for ``a, b, c, x, y, t``, its light and sky projected out; returns its sum of squares.

    ``profile`` (n, 7) is changed; < 0: the samples do not tell light from sky.
    """
    s0 = s1 = s2 = y0 = y1 = 0.0
    for k in range(n):
        w, f = weight[k], profile[k, 6]
        s0, s1, s2 = s0 + w, s1 + w * f, s2 + w * f * f
        y0, y1 = y0 + w * values[k], y1 + w * values[k] * f
    det = s2 * s0 - s1 * s1
    if not det > 1e-9 * s2 * s0:
        return -1.0
    light, sky = (s0 * y1 - s1 * y0) / det, (s2 * y0 - s1 * y1) / det
    for u in range(6):
        g0 = g1 = 0.0
        for k in range(n):
            profile[k, u] *= light
            g0 += weight[k] * profile[k, u]
            g1 += weight[k] * profile[k, u] * profile[k, 6]
        e, s = (s0 * g1 - s1 * g0) / det, (s2 * g0 - s1 * g1) / det
        for k in range(n):
            profile[k, u] -= e * profile[k, 6] + s
    total = 0.0
    for k in range(n):
        rest = values[k] - light * profile[k, 6] - sky
        total += weight[k] * rest * rest
        for u in range(6):
            h = weight[k] * profile[k, u]
            vector[u] += h * rest
            for v in range(u + 1):
                matrix[u, v] += h * profile[k, v]
    return total


@njit(cache=True, nogil=True, error_model="numpy")
def star_sums(
    image: Float32, cell: Int64, planes: Int64, x: Float64, y: Float64, radius: int, scale: Float64, flat: Float64,
    photon: Float64, weighting: Float64, common_wings: float, shape: Float64, wings: float, rest: Float64,
    half: Int64, stretch: float, matrix: Float64, scores: Float64,
) -> float:  # fmt: skip
    """Fill normal equations (6, 6) of all stars and each star's right-hand side (n, 6); returns the sum of squares.

    Parameters
    ----------
    image : (ny, nx) float32
        Calibrated mosaic frame; NaN left out.
    cell : (2, 2) int64
        Plane index of ``[y % 2, x % 2]``.
    planes : (p,) int64
        Those of the colour.
    x, y : (n, 4) float64
        Places of the stars in each plane, pixels.
    radius : int
        Of the disc around each star, pixels.
    scale, flat, photon, weighting, common_wings
        Weights, as in `fourlight.core.planewidths.Weights`.
    shape : (5,) float64
        ``a, b, c`` and shift of the colour.
    wings : float
    rest : (2, m, m) float64
        What is added to the profile, see `fourlight.core.profilerest`, ``stretch`` times as far from the star.
    half : (n,) int64
        Which of the two is for this star.
    stretch : float
    matrix, scores
        Filled; the lower triangle of ``matrix``.
    """
    room = disc_room(cell, radius)
    samples, profile = np.zeros((4, room, 1)), np.empty((room, 7))
    values, weight = np.empty(room), np.empty(room)
    matrix[:] = 0.0
    scores[:] = 0.0
    squares = 0.0
    for k in range(x.shape[0]):
        for plane in planes:
            cx, cy = x[k, plane], y[k, plane]
            x0, y0 = int(np.rint(cx)), int(np.rint(cy))
            n = disc_samples(image, cell, plane, x0, y0, radius, samples, 0)
            for i in range(n):
                dx, dy = samples[0, i, 0] + x0 - cx, samples[1, i, 0] + y0 - cy
                u, v = dx - shape[3], dy - shape[4]
                fill_profile(u, v, shape, wings, profile[i])
                profile[i, 6] += rest_at(rest[half[k]], stretch * u, stretch * v)
                values[i] = samples[2, i, 0] / scale[k, plane]
                weight[i] = 1.0 / (flat[k] + photon[k] * point_value(dx, dy, weighting, common_wings))
            squares += max(_sums(profile, values, weight, n, matrix, scores[k]), 0.0)
    return squares


@njit(cache=True, nogil=True, error_model="numpy")
def levels(
    image: Float32, cell: Int64, plane: int, variance: float, poisson: float, x: Float64, y: Float64, shape: Float64,
    wings: float, radius: int,
) -> tuple[Float64, Float64]:  # fmt: skip
    """Height of each star's profile in one plane, and its error.

    Parameters
    ----------
    image, cell
        As in `fourlight.core.planewidths.Evidence`.
    plane : int
    variance, poisson : float
        Variance of a sample at the sky level, and per unit of signal.
    x, y : (n,) float64
    shape : (3,) float64
    wings : float
    radius : int

    Returns
    -------
    height, error : (n,) float64
        Error inf where there are too few samples.
    """
    room = disc_room(cell, radius)
    samples, profile = np.zeros((4, room, 1)), np.empty(7)
    height, error = np.zeros(x.size), np.full(x.size, np.inf)
    for k in range(x.size):
        x0, y0 = int(np.rint(x[k])), int(np.rint(y[k]))
        n = disc_samples(image, cell, plane, x0, y0, radius, samples, 0)
        s0 = s1 = s2 = r0 = r1 = 0.0
        for i in range(n):
            fill_profile(samples[0, i, 0] + x0 - x[k], samples[1, i, 0] + y0 - y[k], shape, wings, profile)
            f, value = profile[6], samples[2, i, 0]
            s0, s1, s2 = s0 + 1, s1 + f, s2 + f * f
            r0, r1 = r0 + value, r1 + value * f
        det = s2 * s0 - s1 * s1
        if det > 1e-9 * s2 * s0:
            height[k] = (s0 * r1 - s1 * r0) / det
            error[k] = np.sqrt((variance + 0.5 * poisson * max(height[k], 0.0)) * s0 / det)
    return height, error
