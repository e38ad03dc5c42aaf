"""The colour of light as a ratio to brightness, split into what is wide and what is finer than one colour's pixels."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from fourlight.core.spare import Spare
from fourlight.core.starlet import across, down

__all__ = ["hue_parts"]

Float32 = npt.NDArray[np.float32]


@njit(cache=True, nogil=True)
def _less(a: Float32, b: Float32, out: Float32) -> None:
    for x in range(out.size):
        out[x] = a[x] - b[x]


@njit(cache=True, nogil=True)
def _ratios(difference: Float32, below: Float32, smooth: Float32, wide: Float32, fine: Float32) -> None:
    """Ratio of the smoothed, and that of the pixels less it."""
    for x in range(wide.size):
        wide[x] = smooth[0, x] / smooth[1, x]
        fine[x] = difference[x] / below[x] - wide[x]


@njit(cache=True, nogil=True)
def _hue(image: Float32, green: Float32, below: Float32, wide: Float32, fine: Float32) -> None:
    ny, nx = image.shape
    rings, smooth = np.empty((3, 5, nx), dtype=np.float32), np.empty((2, nx), dtype=np.float32)
    for t in range(ny + 2):
        if t < ny:
            _less(image[t], green[t], rings[2, t % 5])
            across(rings[2, t % 5], 1, rings[0, t % 5])
            across(below[t], 1, rings[1, t % 5])
        y = t - 2
        if y >= 0:
            down(rings[0], y, ny, 1, smooth[0])
            down(rings[1], y, ny, 1, smooth[1])
            _ratios(rings[2, y % 5], below[y], smooth, wide[y], fine[y])


def hue_parts(image: Float32, green: Float32, below: Float32, spare: Spare) -> tuple[Float32, Float32]:
    """Difference of a channel to green over brightness: smoothed by the light in it, and what is finer than that.

    Parameters
    ----------
    image, green : (ny, nx) float32
        Finite everywhere.
    below : (ny, nx) float32
        Brightness, above 0.
    spare : Spare
        Where the results are taken from.

    Returns
    -------
    wide, fine : (ny, nx) float32
        Their sum is ``(image - green) / below``; the first is smoothed over the pixel pitch of one colour.
    """
    wide, fine = spare.take(image.shape), spare.take(image.shape)
    _hue(image, green, below, wide, fine)
    return wide, fine
