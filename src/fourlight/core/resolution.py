"""Fourier ring correlation of two independent images of the same thing, and how fine the detail is that both show.

The correlation F of two equal halves of signal-to-noise power S each is S / (1 + S); the image made of both correlates
with the truth by sqrt(2 F / (1 + F)) (Rosenthal & Henderson 2003), so that F = 1/7 stands for one half. Whatever is
common to the halves beside the truth, a fixed pattern, a mask, a shared master frame, correlates too: nothing finer
than two thirds of the finest frequency of the samples is ever claimed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = [
    "MOST",
    "ONE_SEVENTH",
    "Rings",
    "half_bit",
    "resolution",
]

Float64 = npt.NDArray[np.float64]

ONE_SEVENTH = 1 / 7
"""Correlation of halves at which their sum correlates with the truth by one half."""
MOST = 2 / 3
"""Share of the finest frequency of the samples beyond which no resolution is claimed."""
SIGMAS = 1.96
"""Standard errors to each end of a range (95 %)."""


@dataclass(frozen=True, slots=True)
class Rings:
    """Correlation of two images ring by ring."""

    frequency: Float64
    """(n,) middle of each ring, cycles per pixel."""
    value: Float64
    """(n,) -1 to 1; NaN where an image holds nothing."""
    count: Float64
    """(n,) independent Fourier pixels: all of the ring, conjugate ones too, times the share that the window leaves."""

    @property
    def scatter(self) -> Float64:
        """(n,) standard error of the value: 1 / sqrt(n) without signal, less with it (Fisher)."""
        return np.asarray((1 - self.value**2) / np.sqrt(np.maximum(self.count, 1.0)))


def half_bit(count: npt.ArrayLike) -> Float64:
    """Correlation at which a ring of ``count`` pixels holds half a bit of information each (van Heel & Schatz 2005).

    >>> [round(float(value), 4) for value in half_bit([10, 100, 1000, np.inf])]
    [0.5426, 0.3067, 0.2164, 0.1716]
    """
    root = 1 / np.sqrt(np.asarray(count, dtype=np.float64))
    return np.asarray((0.2071 + 1.9102 * root) / (1.2071 + 0.9102 * root))


def resolution(rings: Rings, threshold: Float64 | float, finest: float = 0.5) -> tuple[float, float, float]:
    """Frequency up to which the correlation stays above a threshold, and its range (95 %), cycles per pixel.

    The curve is smoothed over as many rings as halve its scatter; it ends where it first falls below the threshold.

    Parameters
    ----------
    rings : Rings
    threshold : float or (n,) float64
        One number, or one for each ring.
    finest : float
        Finest frequency of the samples; no more than two thirds of it is claimed.

    Returns
    -------
    found, low, high
        NaN where the coarsest ring already is below.
    """
    value, scatter = _smoothed(rings)
    level = np.broadcast_to(np.asarray(threshold, dtype=np.float64), value.shape)
    most = MOST * finest
    found, low, high = (
        min(_crossing(rings.frequency, value + step * scatter - level), most)
        for step in (0.0, -SIGMAS, SIGMAS)
    )
    return found, low, high


def _smoothed(rings: Rings) -> tuple[Float64, Float64]:
    """The curve as a running mean over five rings, weighted by their pixels, and its standard error."""
    value, count = np.nan_to_num(rings.value), np.where(np.isfinite(rings.value), rings.count, 0.0)
    kernel = np.ones(min(5, value.size | 1))
    weight = np.convolve(count, kernel, "same")
    mean = np.convolve(count * value, kernel, "same") / np.maximum(weight, 1e-30)
    return mean, np.asarray((1 - mean**2) / np.sqrt(np.maximum(weight, 1.0)))


def _crossing(frequency: Float64, above: Float64) -> float:
    """Where a curve first falls below zero; the last frequency where it never does, NaN where it begins below."""
    below = np.flatnonzero(above < 0)
    if not below.size:
        return float(frequency[-1])
    k = int(below[0])
    if k == 0:
        return float("nan")
    part = above[k - 1] / (above[k - 1] - above[k])
    return float(frequency[k - 1] + part * (frequency[k] - frequency[k - 1]))
