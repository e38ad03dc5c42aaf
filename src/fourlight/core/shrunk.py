"""An image at a whole fraction of its size, by means of squares; pixels without a value do not count."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

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
    sums, counts = _sums(image, factor), np.outer(*(_lengths(length, factor) for length in image.shape))
    if np.isnan(sums).any():
        there = ~np.isnan(image)
        sums = _sums(np.where(there, image, np.float32(0)), factor)
        counts = np.rint(_sums(there.astype(np.float32), factor)).astype(np.int64)
    with np.errstate(invalid="ignore"):
        return np.divide(sums, counts).astype(np.float32, order="C")


def _lengths(length: int, factor: int) -> npt.NDArray[np.int64]:
    """Pixels in each stretch of ``factor`` along an axis."""
    return np.diff(np.append(np.arange(0, length, factor), length))


def _sums(image: Float32, factor: int) -> Float32:
    """Sums of squares."""
    for _ in image.shape:
        part = np.zeros((-(-len(image) // factor), image.shape[1]), np.float32)
        for first in range(factor):
            row = image[first::factor]
            part[: len(row)] += row
        image = part.T  # the other axis comes next
    return image
