"""Raw samples as grey to look at: each colour of the mosaic less its own level, over its own noise."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["grey_of", "over_noise"]

Float32 = npt.NDArray[np.float32]

BLACK, BEND = -2.0, 2.0
"""Noise above the level where black lies, and where the curve turns from straight to logarithmic (taste, no source)."""
LEAST_WHITE = 15.0
"""White lies no nearer to the level, so that noise alone stays dark."""
BRIGHTEST = 0.999
"""Share of the samples that are darker than white."""


def over_noise(samples: Float32) -> Float32:
    """Samples of one colour less their median, over their scatter (1.4826 median absolute deviations).

    Parameters
    ----------
    samples : float32 array
        NaN where there is no value.

    Returns
    -------
    float32 array of the same shape
        All 0 where the samples do not scatter.

    >>> over_noise(np.array([1, 2, 3, 4, 5], np.float32)).astype(float).round(2).tolist()
    [-1.35, -0.67, 0.0, 0.67, 1.35]
    """
    known = samples[np.isfinite(samples)]
    if not len(known):
        return np.full(samples.shape, np.nan, np.float32)
    level = np.median(known)
    scatter = 1.4826 * np.median(np.abs(known - level))
    if scatter == 0:
        return np.where(np.isfinite(samples), np.float32(0), np.float32(np.nan))
    return np.asarray((samples - level) / np.float32(scatter), np.float32)


def grey_of(light: Float32) -> npt.NDArray[np.uint8]:
    """Grey from 0 to 255 of light in units of its noise, by an inverse hyperbolic sine; 0 where there is none.

    >>> grey_of(np.array([[-5, 0, 15, np.nan]], np.float32)).tolist()
    [[0, 79, 255, 0]]
    """
    known = light[np.isfinite(light)]
    white = max(LEAST_WHITE, float(np.quantile(known, BRIGHTEST))) if len(known) else LEAST_WHITE
    shown = np.arcsinh(np.fmax(light - BLACK, 0) / BEND) / np.arcsinh((white - BLACK) / BEND)
    return np.asarray(np.rint(255 * np.fmin(shown, 1)), np.uint8)
