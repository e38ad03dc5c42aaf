"""Planes added, taken off and multiplied, in new arrays of a canvas: a few rows at a time."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fourlight.stages.canvas import Canvas, bands

__all__ = ["added", "less", "times"]

Float32 = npt.NDArray[np.float32]


def added(plane: Float32, other: Float32, canvas: Canvas) -> Float32:
    """Two planes (ny, nx) together."""
    out = canvas.new(plane.shape)
    for rows in bands(out.shape):
        np.add(plane[rows], other[rows], out=out[rows])
    return out


def less(plane: Float32, other: Float32, canvas: Canvas) -> Float32:
    """A plane (ny, nx) without another one.

    >>> less(np.ones((1, 2), np.float32), np.ones((1, 2), np.float32), Canvas()).tolist()
    [[0.0, 0.0]]
    """
    out = canvas.new(plane.shape)
    for rows in bands(out.shape):
        np.subtract(plane[rows], other[rows], out=out[rows])
    return out


def times(plane: Float32, factor: float, canvas: Canvas) -> Float32:
    """A plane (ny, nx) times a factor."""
    out = canvas.new(plane.shape)
    for rows in bands(out.shape):
        np.multiply(plane[rows], np.float32(factor), out=out[rows])
    return out
