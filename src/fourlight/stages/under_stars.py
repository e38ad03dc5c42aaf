"""What is left where stars were taken off, brought to look like what is around it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fourlight.core.grain import even_grain
from fourlight.core.starlet import smoothed
from fourlight.stages.canvas import Canvas, Window, some

__all__ = ["PIXEL_BYTES", "REACH", "SEEN", "WINGS", "evened", "evened_channel"]

Float32 = npt.NDArray[np.float32]
Bool = npt.NDArray[np.bool_]

WINGS = 0.04
"""Share of the light of bright stars by which their profile may be wrong far out in their wings."""
SEEN = 0.4
"""Error over the noise of a pixel from which it would be seen, and is mended."""
LEAST = 0.01
"""Noise of a pixel over that of the field, at least."""
LIT = 0.1
"""Light of stars over the noise of a pixel from which there may be more grain than around."""
REACH, PIXEL_BYTES = 256, 120
"""Pixels around a place that shape it, and memory taken per pixel."""


def evened(image: Float32, light: Float32, hidden: Bool, variance: Float32, noise: float) -> Float32:
    """A part of a channel with no more grain under stars than around, filled where it is hidden.

    Parameters
    ----------
    image : (ny, nx) float32
        Without stars; NaN where nothing is known.
    light : (ny, nx) float32
        Of the stars that were taken off.
    hidden : (ny, nx) bool
    variance : (ny, nx) float32
        Of a pixel, before anything was smoothed.
    noise : float
        Of a pixel of empty sky.
    """
    # light is smoothed with what is around it: a star is told from its neighbours over 6 px
    lit = smoothed((light > LIT * noise).astype(np.float32), 2) > 0
    known = np.where(variance > 0, variance, np.float32(noise**2))
    sigma = np.sqrt(np.maximum(known, np.float32((LEAST * noise) ** 2)), dtype=np.float32)
    doubt = np.clip(np.float32(WINGS) * light, 0, np.float32(SEEN * noise))
    return even_grain(image, hidden, lit, sigma, doubt)


def evened_channel(image: Float32, light: Float32, variance: Float32, gain: float, canvas: Canvas) -> Float32:
    """The whole channel; ``light`` and ``variance`` are without its gain."""
    noise = gain * float(np.sqrt(max(np.nanmedian(some(variance)), 1e-30)))
    out, by = canvas.new(image.shape), np.float32(gain)

    def fill(window: Window) -> None:
        here = window.outer
        part = image[here]
        nothing = np.zeros(part.shape, dtype=bool)
        even = evened(part, light[here] * by, nothing, variance[here] * by**2, noise)
        out[window.inner] = even[window.cut]

    canvas.each(out.shape, fill, reach=REACH, pixel_bytes=PIXEL_BYTES)
    return out
