"""Cubic B-splines on the pixel grid: a plane as a smooth function that can be asked for at any place.

With coefficients c on the pixels, the value at x is ``sum_k c_k b3(x - k)``; four coefficients per axis matter
(Unser, Aldroubi & Eden 1993).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit
from scipy.ndimage import convolve1d

__all__ = ["Weights", "at_pixels", "weights"]

Float32 = npt.NDArray[np.float32]
Weights = tuple[np.float32, np.float32, np.float32, np.float32]


@njit(cache=True, nogil=True)
def weights(place: float | np.float32) -> Weights:
    """Weights of the coefficients at -1, 0, 1, 2 for a ``place`` (0 to 1) past the one at 0, float32.

    >>> [round(float(weight), 4) for weight in weights(0.0)]
    [0.1667, 0.6667, 0.1667, 0.0]
    """
    t = np.float32(place)
    one, half, sixth, most = np.float32(1), np.float32(0.5), np.float32(1 / 6), np.float32(2 / 3)
    u = one - t
    return (
        u * u * u * sixth,
        most - t * t * (one - half * t),
        most - u * u * (one - half * u),
        t * t * t * sixth,
    )


def at_pixels(coefficients: Float32) -> Float32:
    """Values of the spline at the pixel centres, (ny, nx); coefficients are held constant beyond the edge.

    >>> round(float(at_pixels(np.full((5, 6), 2.0, np.float32)).max()), 5)
    2.0
    """
    kernel = np.array([1, 4, 1], dtype=np.float32) / 6
    rows = convolve1d(coefficients, kernel, axis=0, mode="nearest")
    return np.asarray(convolve1d(rows, kernel, axis=1, mode="nearest"), dtype=np.float32)
