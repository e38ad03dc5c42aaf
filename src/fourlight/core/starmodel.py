"""The profile of a star and its samples in one colour plane of the mosaic.

Model of a sample of plane c at (x, y): ``A_c (1 + Q)^-beta + S_c`` with
``Q = a dx^2 + 2 b dx dy + c dy^2``, the elliptical Moffat profile (Moffat 1969). The pixel is treated as a
point, so widths include the pixel. Samples are weighted by the inverse of sky variance plus the model's own
photon noise, never by the sample's value, which would bias fluxes low.

Stars are handled `LANES` at a time, side by side in memory: so the processor does the same sum for several of
them in one instruction. Samples of ``n`` stars are an array (4, room, n): their places ``x, y`` from the pixel in
the middle of the disc, their values, and 1, or 0 where a star has fewer samples than there is room for.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

__all__ = [
    "BETA",
    "LANES",
    "disc_room",
    "disc_samples",
    "level_fit",
    "moffat_fwhm",
    "moffat_shape",
    "profile",
]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]

BETA = 3
"""Exponent of the profile, a whole number; aperture fluxes correct what it misses."""

LANES = 16
"""Stars that are handled at a time."""


def moffat_shape(fwhm_px: float) -> float:
    """Coefficient ``a`` (= ``c``, with ``b`` = 0) of a round profile of this width.

    >>> round(float(moffat_fwhm(moffat_shape(3.2), 0.0, moffat_shape(3.2))[0]), 6)
    3.2
    """
    return float((2 ** (1 / BETA) - 1) / (0.5 * fwhm_px) ** 2)


def moffat_fwhm(a: npt.ArrayLike, b: npt.ArrayLike, c: npt.ArrayLike) -> tuple[Float64, Float64, Float64]:
    """Geometric-mean FWHM (pixels), elongation (>= 1) and angle (radians, x towards y) of profiles.

    >>> width, long, angle = moffat_fwhm(0.25, 0.0, 1.0)
    >>> round(float(width), 4), round(float(long), 4), abs(float(angle))
    (1.442, 2.0, 0.0)
    """
    a, b, c = (np.asarray(part, dtype=np.float64) for part in (a, b, c))
    mean, half = 0.5 * (a + c), np.sqrt(0.25 * (a - c) ** 2 + b * b)
    small, large = np.maximum(mean - half, 1e-12), mean + half
    k = np.sqrt(2 ** (1 / BETA) - 1)
    major, minor = 2 * k / np.sqrt(small), 2 * k / np.sqrt(large)
    angle = 0.5 * np.arctan2(-2 * b, c - a)
    return np.sqrt(major * minor), major / minor, np.asarray(angle)


@njit(cache=True, nogil=True, error_model="numpy")
def disc_room(cell: Int64, r: int) -> int:
    """Most samples that one plane can have in a disc of radius ``r``.

    >>> mosaic, picture = np.array([[0, 1], [2, 3]]), np.zeros((2, 2), np.int64)
    >>> disc_room(mosaic, 0), disc_room(mosaic, 1), disc_room(mosaic, 5), disc_room(picture, 1)
    (1, 4, 26, 16)
    """
    most = places = 0
    for y0 in range(2):
        for x0 in range(2):
            n = alike = 0
            for y in range(y0 - r - r % 2, r + 1, 2):
                for x in range(x0 - r - r % 2, r + 1, 2):
                    n += x * x + y * y <= r * r + r
            for y in range(2):
                for x in range(2):
                    alike += cell[y, x] == cell[y0, x0]
            most, places = max(most, n), max(places, alike)
    return most * places


@njit(cache=True, nogil=True, error_model="numpy")
def disc_samples(
    image: Float32, cell: Int64, plane: int, x0: int, y0: int, r: int, samples: Float64, lane: int
) -> int:
    """Number of samples of one plane in the disc around a pixel; they are put in one lane of ``samples``.

    There must be room for `disc_room` of them. NaN samples are left out.
    """
    ny, nx = image.shape
    n = 0
    top, left = max(0, y0 - r), max(0, x0 - r)
    for py in range(2):
        for px in range(2):
            if cell[py, px] != plane:
                continue
            for y in range(top + (top + py) % 2, min(ny, y0 + r + 1), 2):
                most = r * r + r - (y - y0) ** 2
                for x in range(left + (left + px) % 2, min(nx, x0 + r + 1), 2):
                    value = image[y, x]
                    if value == value and (x - x0) ** 2 <= most:
                        samples[0, n, lane], samples[1, n, lane] = x - x0, y - y0
                        samples[2, n, lane], samples[3, n, lane] = value, 1.0
                        n += 1
    for k in range(n, samples.shape[1]):
        for part in range(4):
            samples[part, k, lane] = 0.0
    return n


@njit(cache=True, nogil=True, error_model="numpy")
def profile(samples: Float64, lane: int, n: int, common: Float64, out: Float64) -> None:
    """Profile of unit amplitude at ``n`` samples for ``common``, the shape ``a, b, c`` and the place ``x, y``."""
    a, b, c = common[0], common[1], common[2]
    for k in range(n):
        dx, dy = samples[0, k, lane] - common[3], samples[1, k, lane] - common[4]
        inverse = 1.0 / max(1.0 + a * dx * dx + 2 * b * dx * dy + c * dy * dy, 0.1)
        out[k] = inverse**BETA


@njit(cache=True, nogil=True, error_model="numpy")
def level_fit(
    light: Float64, samples: Float64, lane: int, n: int, variance: float, poisson: float, guess: float
) -> tuple[float, float, float]:
    """Amplitude, its variance and sky of samples with the profile ``light``; variance < 0: no fit.

    ``guess`` is the amplitude whose photons count in the weights.
    """
    saa = sab = sbb = ya = yb = 0.0
    for k in range(n):
        f, value = light[k], samples[2, k, lane]
        w = 1.0 / (variance + poisson * max(guess * f, 0.0))
        sbb += w
        yb += w * value
        w *= f
        sab += w
        ya += w * value
        saa += w * f
    det = saa * sbb - sab * sab
    if not det > 1e-9 * saa * sbb:
        return 0.0, -1.0, 0.0
    return (sbb * ya - sab * yb) / det, sbb / det, (saa * yb - sab * ya) / det
