"""Many samples or pixels of a row at once: the common steps of the kernels of integration.

Compilers make vector code of loops without branches whose stores cannot touch what is read. So loops that look up
places not known beforehand do nothing else, steps pass their results on in short arrays, and several results of one
step lie in one array, `LANES` apart. Numbers of elements are int32: a tile, or what a frame has beneath it, holds fewer
than 2^31.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

__all__ = ["LANES", "fetch", "multiply", "places"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Int32 = npt.NDArray[np.int32]
Numbers = Float32 | Int32

LANES = 256
"""Samples or pixels worked on at once, at most: what they need stays in the fastest cache."""

RAMP = np.arange(LANES, dtype=np.float64)


@njit(cache=True, nogil=True)
def places(row: Float64, x0: int, step: int, count: int, at: Float64) -> None:
    """Carry the pixels ``x0``, ``x0 + step``, ... of a row.

    Parameters
    ----------
    row : (2, 4) float64
        From `fourlight.core.bends.along_row`.
    x0, step, count : int
        First pixel, pixels from one to the next, and how many, at most `LANES`.
    at : (2 * LANES,) float64, written
        Coordinates x, then from ``LANES`` on y.

    Examples
    --------
    >>> at = np.empty(2 * LANES)
    >>> places(np.array([[3.0, 1, 0, 0], [5, 0, 0.5, 0]]), 2, 2, 3, at)
    >>> at[:3].tolist(), at[LANES:][:3].tolist()
    ([5.0, 7.0, 9.0], [7.0, 13.0, 23.0])
    """
    a0, a1, a2, a3 = row[0, 0], row[0, 1], row[0, 2], row[0, 3]
    b0, b1, b2, b3 = row[1, 0], row[1, 1], row[1, 2], row[1, 3]
    start, apart = float(x0), float(step)
    if a2 == 0.0 and a3 == 0.0 and b2 == 0.0 and b3 == 0.0:
        for k in range(count):
            x = start + apart * RAMP[k]
            at[k] = a1 * x + a0
            at[LANES + k] = b1 * x + b0
    else:
        for k in range(count):
            x = start + apart * RAMP[k]
            at[k] = ((a3 * x + a2) * x + a1) * x + a0
            at[LANES + k] = ((b3 * x + b2) * x + b1) * x + b0


@njit(cache=True, nogil=True)
def fetch(image: Numbers, numbers: Int32, count: int, values: Numbers) -> None:
    """Values (n,) of the elements of a flat array with these numbers, none of them below 0."""
    for k in range(count):
        values[k] = image[np.uint32(numbers[k])]


@njit(cache=True, nogil=True)
def multiply(one: Float32, other: Float32, out: Float32) -> None:
    """Write the products of two arrays (n,), number by number."""
    for i in range(out.size):
        out[i] = one[i] * other[i]
