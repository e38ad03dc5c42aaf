"""A star profile averaged over square pixels, whose wings are as strong as the stars ask for.

``f = (1 + (2^t - 1) Q)^(-1/t)`` with ``Q = a dx^2 + 2 b dx dy + c dy^2``, averaged over the pixel: the elliptical
Moffat profile (Moffat 1969) of exponent ``beta = 1 / t``, written so that it is one half where ``Q`` is 1 whatever its
wings. Towards ``t = 0`` it is a Gaussian.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from numba import njit

__all__ = [
    "LEAST_WINGS",
    "MOST_WINGS",
    "fill_profile",
    "half_light_radius",
    "pixel_value",
    "point_value",
    "widths_of",
]

Float64 = npt.NDArray[np.float64]

LEAST_WINGS, MOST_WINGS = 0.002, 0.62
"""Range of ``t``: beta from 500, a Gaussian to a part in a thousand, to 1.6."""

# Gauss-Legendre rule of three points on [-1/2, 1/2]: exact for polynomials of fifth order.
_NODE = np.array([-0.5 * math.sqrt(0.6), 0.0, 0.5 * math.sqrt(0.6)])
_PART = np.array([5.0, 8.0, 5.0]) / 18.0


@njit(cache=True, nogil=True, error_model="numpy")
def point_value(dx: float, dy: float, shape: Float64, wings: float) -> float:
    """The profile at a point, 1 in the middle.

    >>> point_value(0.0, 0.0, np.ones(3), 0.3), round(point_value(1.0, 0.0, np.ones(3), 0.3), 9)
    (1.0, 0.5)
    """
    q = shape[0] * dx * dx + 2 * shape[1] * dx * dy + shape[2] * dy * dy
    return math.exp(-math.log1p((2.0**wings - 1.0) * q) / wings)


@njit(cache=True, nogil=True, error_model="numpy")
def pixel_value(dx: float, dy: float, shape: Float64, wings: float) -> float:
    """The profile averaged over a pixel.

    >>> out = np.empty(7)
    >>> fill_profile(0.3, 0.2, np.ones(3), 0.3, out)
    >>> round(pixel_value(0.3, 0.2, np.ones(3), 0.3) / out[6], 9)
    1.0
    """
    total = 0.0
    for j in range(3):
        for i in range(3):
            total += _PART[i] * _PART[j] * point_value(dx + _NODE[i], dy + _NODE[j], shape, wings)
    return total


@njit(cache=True, nogil=True, error_model="numpy")
def fill_profile(dx: float, dy: float, shape: Float64, wings: float, out: Float64) -> None:
    """Fill ``out`` (7,) with derivatives by ``a, b, c``, by the star's ``x, y``, by ``t``, and the value itself.

    ``dx, dy`` lead from the star to the middle of the pixel.
    """
    a, b, c = shape[0], shape[1], shape[2]
    m, rise = 2.0**wings - 1.0, 2.0**wings * math.log(2.0)
    out[:] = 0.0
    for j in range(3):
        v = dy + _NODE[j]
        for i in range(3):
            u = dx + _NODE[i]
            gx, gy = a * u + b * v, b * u + c * v
            q = gx * u + gy * v
            base, high = 1.0 + m * q, math.log1p(m * q)
            f = _PART[i] * _PART[j] * math.exp(-high / wings)
            slope = -f * m / (wings * base)
            out[0] += slope * u * u
            out[1] += 2.0 * slope * u * v
            out[2] += slope * v * v
            out[3] -= 2.0 * slope * gx
            out[4] -= 2.0 * slope * gy
            out[5] += f * (high / wings - rise * q / base) / wings
            out[6] += f


def widths_of(shape: Float64) -> tuple[float, float, float]:
    """FWHM (pixels; of the ellipse's mean radius), elongation (>= 1) and angle (radians, x towards y) of ``a, b, c``.

    The pixel is not part of it.

    >>> width, long, angle = widths_of(np.array([0.25, 0.0, 1.0]))
    >>> round(width, 4), round(long, 4), abs(round(angle, 4))
    (2.8284, 2.0, 0.0)
    """
    a, b, c = (float(part) for part in shape[:3])
    mean, half = 0.5 * (a + c), math.hypot(0.5 * (a - c), b)
    small, large = max(mean - half, 1e-12), mean + half
    return 2.0 / (small * large) ** 0.25, math.sqrt(large / small), 0.5 * math.atan2(-2 * b, c - a)


def half_light_radius(fwhm_px: npt.ArrayLike, wings: float, within: float = math.inf) -> Float64:
    """Radius (pixels) inside which half of a star's light lies, of that inside ``within`` times the FWHM.

    Of a Moffat profile the share outside of r is (1 + r^2 / alpha^2)^(1 - beta).

    >>> half_light_radius(2.0, 1e-6).round(4).item()  # a Gaussian: half the FWHM
    1.0
    """
    power, m = 1.0 - 1.0 / wings, math.expm1(math.log(2.0) * wings)
    outside = math.exp(power * math.log1p(4.0 * m * within * within)) if math.isfinite(within) else 0.0
    square = math.expm1(math.log(0.5 * (1.0 + outside)) / power) / m
    return np.asarray(0.5 * math.sqrt(square) * np.asarray(fwhm_px, dtype=np.float64))
