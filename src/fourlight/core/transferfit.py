"""Gain from the photon transfer curve, and the level at which a sensor is full (EMVA 1288, photon transfer method)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fourlight.core.regionerror import Measured, ratio_of_sums, scattered

__all__ = ["RANGE", "Saturation", "dynamic_range", "gain_of", "saturation_of"]

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

RANGE = 0.7
"""Share of the saturation level up to which the gain is fitted (EMVA 1288)."""
BINS = 60
"""Bins of level, in which points are averaged before the largest variance is looked for."""
DROP = 0.9
"""Share of the largest variance under which a brighter level is past saturation."""
SURE = 5.0
"""Standard errors that it must lie under it."""
_ROUNDS = 6


@dataclass(frozen=True, slots=True)
class Saturation:
    """The level above no light at which the temporal variance is largest."""

    level: float
    """ADU."""
    error: float
    """Standard error: any level up to the first one past it may be it (uniform distribution)."""
    reached: bool
    """Whether brighter levels scatter less; if not, the sensor holds at least as much."""


def saturation_of(level: FloatArray, variance: FloatArray, count: FloatArray) -> Saturation | None:
    """Saturation from points of the photon transfer curve.

    Parameters
    ----------
    level, variance, count : (n,) float64
        Level above no light (ADU), temporal variance of one sample (ADU^2), and the samples it is from.

    Returns
    -------
    Saturation or None
        None without points.

    Examples
    --------
    >>> level = np.linspace(100.0, 1000.0, 10)
    >>> found = saturation_of(level, np.where(level < 900, level, 5.0), np.full(10, 1e5))
    >>> round(found.level), found.reached, saturation_of(level, level, np.full(10, 1e5)).reached
    (800, True, False)
    """
    good = np.isfinite(level) & np.isfinite(variance) & (count > 1) & (level > 0)
    level, variance, count = level[good], variance[good], count[good]
    if not len(level):
        return None
    number = np.minimum((level / level.max() * BINS).astype(np.int64), BINS - 1)
    weight = np.bincount(number, count, BINS)
    there = weight > 0
    place = np.bincount(number, count * level, BINS)[there] / weight[there]
    height = np.bincount(number, count * variance, BINS)[there] / weight[there]
    error = height * np.sqrt(2 / weight[there])
    top = int(height.argmax())
    past = place > place[top]
    past &= height < DROP * height[top] - SURE * np.hypot(error, error[top])
    if not past.any():
        return Saturation(float(place[-1]), 0.0, False)
    return Saturation(float(place[top]), float((place[past][0] - place[top]) / np.sqrt(3)), True)


def gain_of(
    level: FloatArray, variance: FloatArray, count: FloatArray, dark: FloatArray, use: BoolArray
) -> Measured | None:
    """Electrons per ADU: the line through no light of temporal variance against level, turned over.

    Parameters
    ----------
    level, variance : (p, r) float64
        Of each pair of flats and region: level above no light (ADU), variance that the light alone gives (ADU^2).
    count : (p, r) float64
        Samples it is from.
    dark : (r,) float64
        Variance without light, ADU^2.
    use : (p, r) bool
        Points within the linear range.

    Returns
    -------
    Measured or None
        None without points, or where the variance does not grow with the level.

    Notes
    -----
    Points count by their error, that of the variance (``2 v^2 / n``) and that of the level (``v / 2 n``, times the
    slope squared) together; ``v`` is that of the fitted line, as measured ones would favour points that lie low by
    chance.
    Regions are the parts of a jackknife, so that what differs between them is in the error; pairs that scatter by
    more than their errors enlarge it (`fourlight.core.regionerror.scattered`).
    """
    good = use & np.isfinite(level) & np.isfinite(variance) & (count > 1)
    if not good.any():
        return None
    x, y = np.where(good, level, 0.0), np.where(good, variance, 0.0)
    slope = float(y.sum() / x.sum())
    for _ in range(_ROUNDS):
        if not slope > 0:
            return None
        expected = slope * x + dark
        # the error of the level is small beside that of the variance but for a few electrons
        spread = 2 * expected**2 + slope**2 * expected / 2
        with np.errstate(divide="ignore", invalid="ignore"):
            weight = np.where(good, count / spread, 0.0)
        slope = float((weight * x * y).sum() / (weight * x * x).sum())
    parts = (weight * x * y).sum(axis=0), (weight * x * x).sum(axis=0)
    filled = parts[1] > 0
    whole = ratio_of_sums(parts[0][filled], parts[1][filled])
    below = (weight * x * x).sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        each, error = (weight * x * y).sum(axis=1) / below, below**-0.5
    line = scattered(each, error, whole)
    if not line.value > 0:
        return None
    return Measured(1 / line.value, line.error / line.value**2, line.excess)


def dynamic_range(full_e: float, dark_noise_e: float) -> float:
    """Saturation capacity over the smallest light that can be told from none: ``full / (dark noise + 1/2)``.

    EMVA 1288: the signal-to-noise ratio is 1 there, to a good approximation; the dark noise holds that of rounding.

    >>> round(dynamic_range(50000.0, 2.0))
    20000
    """
    return full_e / (dark_noise_e + 0.5)
