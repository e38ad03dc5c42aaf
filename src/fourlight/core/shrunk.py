"""An image at a whole fraction of its size, by means of squares; pixels without a value do not count."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

__all__ = ["shrunk"]

Float32 = npt.NDArray[np.float32]


def shrunk(image: Float32, factor: int) -> Float32:
    """Means of squares of ``factor`` pixels a side.

    Parameters
    ----------
    image : (ny, nx) float32
        NaN where there is no value.
    factor : int
        At least 1.

    Returns
    -------
    (ceil(ny / factor), ceil(nx / factor)) float32
        NaN where a square has no value; squares at the far rims may hold fewer pixels.

    >>> shrunk(np.array([[1, 3, 5], [np.nan, 2, 7]], np.float32), 2).tolist()
    [[2.0, 6.0]]
    """
    ny, nx = image.shape
    out = np.empty((-(-ny // factor), -(-nx // factor)), np.float32)
    _means(np.ascontiguousarray(image), factor, out)
    return out


@njit(cache=True, nogil=True)
def _means(image: Any, factor: int, out: Any) -> None:
    ny, nx = image.shape
    sums, counts = np.zeros(out.shape[1], np.float64), np.zeros(out.shape[1], np.int64)
    for row in range(out.shape[0]):
        sums[:] = 0.0
        counts[:] = 0
        for y in range(row * factor, min((row + 1) * factor, ny)):
            for column in range(out.shape[1]):
                total, count = 0.0, 0
                for x in range(column * factor, min((column + 1) * factor, nx)):
                    value = image[y, x]
                    if not math.isnan(value):
                        total += value
                        count += 1
                sums[column] += total
                counts[column] += count
        for column in range(out.shape[1]):
            out[row, column] = sums[column] / counts[column] if counts[column] else np.nan
