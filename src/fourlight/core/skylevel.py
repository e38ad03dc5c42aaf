"""Level of the sky among samples that hold stars, whole numbers or not.

It is a mean with a weight that falls off smoothly from the middle of the samples. The median of whole numbers is a
whole number itself, and a weight with edges jumps as they pass one; this mean moves with the sky.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

__all__ = ["LEVEL_VARIANCE", "SUMS", "sky_level"]

Float32 = npt.NDArray[np.float32]

LEVEL_VARIANCE = 1.185
"""Variance of a level over that of the mean of its samples, all of them noise: the integral of
``w^2 x^2`` over the square of that of ``w x^2`` under a normal distribution; pi / 2 for a median."""

_WIDTH = 1.5
"""Width of the weight in standard deviations: stars bend it as little as a median, and it scatters less."""
_LEAST_SIGMA = 0.5
"""Least standard deviation, in steps of the digitiser: rounding alone makes 0.29."""
_LEAST_WIDTH = 1.25
"""Least width of the weight in steps: a narrower one shows where in the step the sky lies."""
_DOUBLINGS = 3
"""The exponential of ``-u`` is taken as ``(1 - u / 8)^8``, which ends at 4 widths."""
_POWER = 2.0**_DOUBLINGS
SUMS = 32
"""Sums that run side by side, so that the processor can add several values at once."""
_QUARTERS = 0.9465
"""Mean of the second quarter of a normal distribution less that of the first, in standard deviations."""
_ROUNDS = 3
_SETTLED = 0.1
"""Move in standard deviations after which the rest of it is below a hundredth."""


@njit(cache=True, nogil=True, error_model="numpy")
def sky_level(part: Float32, every: Float32, step: float, sums: Float32) -> float:
    """Level of samples ``every`` (n,) of one colour, in any order, NaN left out.

    ``part`` (m,) are some of them or all, sorted, finite: the mean of their middle half is where it is looked for, and
    the lower half, which stars and nebulae do not reach, gives the standard deviation. ``step`` is that of the
    digitiser, 0 where samples are not whole numbers of it; ``sums`` (2, SUMS) is work space.
    """
    kept = _kept(part, _LEAST_SIGMA * step)
    quarter = kept // 4
    if quarter == 0:
        return float(part[kept // 2])
    low, below = _mean(part[:quarter]), _mean(part[quarter : 2 * quarter])
    centre = 0.5 * (below + _mean(part[kept - 2 * quarter : kept - quarter]))
    sigma = max((below - low) / _QUARTERS, _LEAST_SIGMA * step)
    if not sigma > 0.0:
        return centre
    width = max(_WIDTH * sigma, _LEAST_WIDTH * step)
    # Newton's step where the samples are normal
    gain = 1.0 + (sigma / width) ** 2
    for _ in range(_ROUNDS):
        move = gain * _weighted_mean(every, centre, width, sums)
        centre += move
        if abs(move) < _SETTLED * sigma:
            break
    return centre


@njit(cache=True, nogil=True, error_model="numpy")
def _mean(values: Float32) -> float:
    """Mean of values, summed as distances from the first, for which single precision is enough."""
    total, first = np.float32(0.0), values[0]
    for value in values:
        total += value - first
    return float(first) + float(total) / len(values)


@njit(cache=True, nogil=True, error_model="numpy")
def _weighted_mean(values: Float32, centre: float, width: float, sums: Float32) -> float:
    """Weighted mean of the distances of the values from a centre, NaN left out."""
    sums[:] = 0.0
    totals, firsts = sums[0], sums[1]
    middle, scale = np.float32(centre), np.float32(0.5 / (width**2 * _POWER))
    one, nothing, far = np.float32(1.0), np.float32(0.0), np.float32(5.0 * width)
    for start in range(0, len(values), SUMS):
        part = values[start : start + SUMS]
        for i in range(len(part)):
            away = part[i] - middle
            away = away if abs(away) < far else far
            weight = max(one - scale * away * away, nothing)
            for _ in range(_DOUBLINGS):
                weight *= weight
            totals[i] += weight
            firsts[i] += weight * away
    total = totals.sum()
    return float(middle) - centre + (float(firsts.sum()) / total if total > nothing else 0.0)


@njit(cache=True, nogil=True, error_model="numpy")
def _kept(part: Float32, least: float) -> int:
    """Number of the sorted samples that are not above median + 3 sigma."""
    kept = len(part)
    for _ in range(3):
        median = part[kept // 2] if kept % 2 else 0.5 * (part[kept // 2 - 1] + part[kept // 2])
        limit = median + 3.0 * max(median - part[int(0.1587 * kept)], least) + 1e-12
        new = kept
        while new > 1 and part[new - 1] > limit:
            new -= 1
        if new == kept:
            break
        kept = new
    return kept
