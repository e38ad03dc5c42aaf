"""Smooth random fields that depend on position and seed only, for the shapes of a nebula.

Gradient noise: a random slope at each node of a square lattice, blended by a polynomial with continuous
second derivative. Octaves are added, each twice as fine.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from numba import njit

__all__ = ["octaves", "ridges"]

FloatArray = npt.NDArray[np.float64]


_SLOPES = np.stack(
    [np.cos(np.arange(256) * (2.0 * np.pi / 256.0)), np.sin(np.arange(256) * (2.0 * np.pi / 256.0))], axis=1
)


@njit(cache=True, nogil=True, inline="always")
def _slope(ix: int, iy: int, dx: float, dy: float, seed: int) -> float:
    """Height of the random plane through a lattice node; its direction is an integer hash of the node."""
    h = (ix * 374761393 + iy * 668265263 + seed * 2246822519) & 0xFFFFFFFF
    h = ((h ^ (h >> 13)) * 1274126177) & 0xFFFFFFFF
    k = ((h ^ (h >> 16)) * 668265263 >> 11) & 255
    return float(_SLOPES[k, 0] * dx + _SLOPES[k, 1] * dy)


@njit(cache=True, nogil=True)
def _noise(x: float, y: float, seed: int) -> float:
    """Gradient noise in about -1 to 1, mean zero, features of unit size."""
    ix, iy = math.floor(x), math.floor(y)
    dx, dy = x - ix, y - iy
    sx = dx * dx * dx * (dx * (dx * 6.0 - 15.0) + 10.0)
    sy = dy * dy * dy * (dy * (dy * 6.0 - 15.0) + 10.0)
    a = _slope(ix, iy, dx, dy, seed)
    b = _slope(ix + 1, iy, dx - 1.0, dy, seed)
    c = _slope(ix, iy + 1, dx, dy - 1.0, seed)
    d = _slope(ix + 1, iy + 1, dx - 1.0, dy - 1.0, seed)
    top = a + sx * (b - a)
    return 1.5 * (top + sy * (c + sx * (d - c) - top))


@njit(cache=True, nogil=True)
def octaves(x: FloatArray, y: FloatArray, seed: int, count: int, fall: float) -> FloatArray:
    """Sum of ``count`` octaves, each ``fall`` times as strong as the one before; about -1 to 1.

    ``x`` and ``y`` are positions in units of the coarsest feature, same shape as the result.
    """
    out = np.empty_like(x)
    flat_x, flat_y, flat = x.ravel(), y.ravel(), out.ravel()
    norm = 0.0
    for k in range(count):
        norm += fall**k
    for n in range(flat.shape[0]):
        total, strength, frequency = 0.0, 1.0, 1.0
        for k in range(count):
            total += strength * _noise(flat_x[n] * frequency, flat_y[n] * frequency, seed + 101 * k)
            strength *= fall
            frequency *= 2.03
        flat[n] = total / norm
    return out


@njit(cache=True, nogil=True)
def ridges(x: FloatArray, y: FloatArray, seed: int, count: int, fall: float, sharp: int) -> FloatArray:
    """Creased noise, 0 to 1, with bright thin crests where the noise changes sign.

    Finer octaves are stronger on the crests of the coarser ones, which gives branching filaments. ``sharp``
    is the power that thins the crests.
    """
    out = np.empty_like(x)
    flat_x, flat_y, flat = x.ravel(), y.ravel(), out.ravel()
    for n in range(flat.shape[0]):
        total, norm, strength, frequency, carry = 0.0, 0.0, 1.0, 1.0, 1.0
        for k in range(count):
            value = _noise(flat_x[n] * frequency, flat_y[n] * frequency, seed + 131 * k)
            base, crest = 1.0 - min(1.0, abs(value)), 1.0
            for _ in range(sharp):
                crest *= base
            total += strength * crest * carry
            norm += strength
            carry = min(1.0, 0.25 + 0.9 * crest)
            strength *= fall
            frequency *= 2.11
        flat[n] = total / norm
    return out
