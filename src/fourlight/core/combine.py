"""Many exposures of the same thing made into one master, with what does not repeat left out."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from numba import njit

from fourlight.core.lanes import LANES
from fourlight.core.networks import merging_network, sort_columns

__all__ = ["clipped_mean", "truncation_factor"]

Float32 = npt.NDArray[np.float32]
Bool = npt.NDArray[np.bool_]
Int32 = npt.NDArray[np.int32]
Int64 = npt.NDArray[np.int64]

_FEW = (0.0, 0.0, 0.0, 2.20, 2.02, 1.81, 1.77, 1.69, 1.67, 1.63)
"""Factor from the median absolute deviation of n values (n = 3 to 9) to sigma, from 400,000 simulated normal
sets each; large n: 1.4826."""


def truncation_factor(clip_sigma: float) -> float:
    """Standard deviation that is left of a normal distribution cut at ``clip_sigma`` on both sides.

    Source: truncated normal distribution, ``sqrt(1 - 2 k phi(k) / erf(k / sqrt 2))``.

    >>> round(truncation_factor(2.0), 5), round(truncation_factor(3.0), 5)
    (0.87963, 0.98658)
    """
    density = math.exp(-0.5 * clip_sigma**2) / math.sqrt(2 * math.pi)
    return math.sqrt(1.0 - 2.0 * clip_sigma * density / math.erf(clip_sigma / math.sqrt(2.0)))


def clipped_mean(
    samples: Float32, clip_sigma: float, noise: float | npt.ArrayLike
) -> tuple[Float32, Float32, Int32]:
    """Mean over exposures of each pixel without the values far from the pixel's median.

    A value is left out when it is further from the median of its pixel than ``clip_sigma`` times ``noise`` or
    the pixel's own scatter (median absolute deviation), whichever is larger. The floor matters: whole-number
    data often have a median absolute deviation of 0. Of two values neither is left out, for nothing says
    which is wrong.

    Parameters
    ----------
    samples : (n, ny, nx) float32
        The exposures; NaN is left out.
    clip_sigma : float
        Threshold.
    noise : float or (2, 2) array
        Standard deviation of one ordinary sample, unit of the samples; one number, or by ``[y % 2, x % 2]``.

    Returns
    -------
    mean : (ny, nx) float32
        NaN where no exposure has a value.
    variance : (ny, nx) float32
        Variance of one sample about the mean, corrected for the clip where there is one; NaN with fewer than two
        values.
    kept : (ny, nx) int32
        Values that went into the mean.

    Notes
    -----
    The median lies within one standard deviation of the mean, so that where the farthest value is near the mean
    no median is needed; the others are found by `fourlight.core.networks`.

    Examples
    --------
    >>> dark = np.full((5, 1, 1), 100, np.float32)
    >>> dark[2] = 9000
    >>> mean, _, kept = clipped_mean(dark, 4.0, 1.0)
    >>> mean.item(), kept.item()
    (100.0, 4)
    """
    n, ny, nx = samples.shape
    mean, variance = np.empty((2, ny, nx), dtype=np.float32)
    kept = np.empty((ny, nx), dtype=np.int32)
    few = np.array([_FEW[i] if i < len(_FEW) else 1.4826 for i in range(n + 1)], dtype=np.float32)
    limit = (clip_sigma * np.broadcast_to(np.asarray(noise, dtype=np.float32), (2, 2))).astype(np.float32)
    cut = np.float32(1 / truncation_factor(clip_sigma) ** 2)
    _clip(samples, clip_sigma, cut, limit, few, merging_network(n), mean, variance, kept)
    return mean, variance, kept


@njit(cache=True, nogil=True)
def _clip(
    samples: Float32, clip_sigma: float, cut: np.float32, limit: Float32, few: Float32, network: Int64,
    mean: Float32, variance: Float32, kept: Int32,
) -> None:  # fmt: skip
    n, ny, nx = samples.shape
    sums, plain = np.empty((4, LANES), dtype=np.float32), np.empty(LANES, dtype=np.bool_)
    spread = np.empty((2, (n + 7) // 8 * 8, LANES), dtype=np.float32)
    doubtful = np.empty(nx, dtype=np.int64)
    limits = np.empty(LANES, dtype=np.float32)
    for y in range(ny):
        limits[::2], limits[1::2] = limit[y % 2, 0], limit[y % 2, 1]
        kept[y] = n
        found = 0
        for x0 in range(0, nx, LANES):
            x1 = min(nx, x0 + LANES)
            _summed(samples, y, x0, x1, sums)
            _judged(samples[0, y, x0:x1], sums, n, cut, limits, mean[y, x0:x1], variance[y, x0:x1], plain)
            for k in range(x1 - x0):
                doubtful[found] = x0 + k
                found += not plain[k]
        for first in range(0, found, LANES):
            places = doubtful[first : min(found, first + LANES)]
            _clip_some(
                samples[:, y],
                places,
                clip_sigma,
                cut,
                limit[y % 2],
                few,
                network,
                spread,
                mean[y],
                variance[y],
                kept[y],
            )


@njit(cache=True, nogil=True)
def _summed(samples: Float32, y: int, x0: int, x1: int, sums: Float32) -> None:
    """Sum and sum of squares over exposures of the distance from the first one, lowest and highest distance."""
    start = samples[0, y, x0:x1]
    total, square, low, high = sums[0, : start.size], sums[1], sums[2], sums[3]
    for k in range(total.size):
        total[k] = square[k] = low[k] = high[k] = start[k] - start[k]  # NaN where there is no value
    for i in range(1, samples.shape[0]):
        row = samples[i, y, x0:x1]
        for k in range(total.size):
            away = row[k] - start[k]
            total[k] += away
            square[k] += away * away
            low[k] = away if away < low[k] else low[k]
            high[k] = away if away > high[k] else high[k]


@njit(cache=True, nogil=True, error_model="numpy")
def _judged(
    start: Float32, sums: Float32, n: int, cut: np.float32, limits: Float32, mean: Float32, variance: Float32,
    plain: Bool,
) -> None:  # fmt: skip
    """Mean and variance of all values, and whether all are known and none can be beyond the limit from the median."""
    total, square, low, high = sums[0], sums[1], sums[2], sums[3]
    share, less = np.float32(1.0 / n), np.float32(1.0 / (n - 1) if n > 1 else np.nan)
    less *= cut if n > 2 else np.float32(1.0)
    for k in range(mean.size):
        middle = total[k] * share
        left = max(square[k] - total[k] * middle, np.float32(0.0))
        mean[k] = start[k] + middle
        variance[k] = left * less
        farthest = max(high[k] - middle, middle - low[k]) + np.sqrt(left * share)
        near = (n < 3) | (high[k] - low[k] <= limits[k]) | (farthest <= limits[k])
        plain[k] = near & (total[k] - total[k] == 0.0)


@njit(cache=True, nogil=True)
def _clip_some(
    rows: Float32, places: Int64, clip_sigma: float, cut: np.float32, limit: Float32, few: Float32, network: Int64,
    spread: Float32, mean: Float32, variance: Float32, kept: Int32,
) -> None:  # fmt: skip
    """Clipped mean at some places of a row; ``spread`` is work space."""
    n = rows.shape[0]
    values, away = spread[0], spread[1]
    count, middle, scatter = (
        np.zeros(LANES, np.int32),
        np.empty(LANES, np.float32),
        np.empty(LANES, np.float32),
    )
    values[:] = away[:] = np.inf
    for i in range(n):
        row = rows[i]
        for k in range(places.size):
            if np.isfinite(row[places[k]]):
                values[count[k], k] = row[places[k]]
                count[k] += 1
    sort_columns(values, network)
    _middles(values, count, middle)
    for i in range(n):
        for k in range(LANES):
            away[i, k] = abs(values[i, k] - middle[k]) if i < count[k] else np.float32(np.inf)
    sort_columns(away, network)
    _middles(away, count, scatter)
    for k in range(places.size):
        x = places[k]
        most = max(limit[x % 2], np.float32(clip_sigma) * few[count[k]] * scatter[k])
        most = most if count[k] > 2 else np.float32(np.inf)
        mean[x], left, kept[x] = _mean_within(values[: count[k], k], middle[k], most)
        variance[x] = left * cut if count[k] > 2 else left


@njit(cache=True, nogil=True)
def _middles(ordered: Float32, count: Int32, middle: Float32) -> None:
    """Median of each column, of which ``count`` values come first in order; 0 where there is none."""
    for k in range(middle.size):
        half = count[k] // 2
        below = ordered[max(count[k] - 1, 0) // 2, k]
        middle[k] = np.float32(0.5) * (below + ordered[half, k]) if count[k] > 0 else np.float32(0.0)


@njit(cache=True, nogil=True)
def _mean_within(values: Float32, middle: np.float32, most: np.float32) -> tuple[float, float, int]:
    """Mean, variance and number of the values that are not further from the middle."""
    total = square = 0.0
    used = 0
    for value in values:
        away = np.float64(value - middle)
        if abs(away) <= most:
            total += away
            square += away * away
            used += 1
    if used == 0:
        return np.nan, np.nan, 0
    left = max(square - total * total / used, 0.0)
    return float(middle) + total / used, left / (used - 1) if used > 1 else np.nan, used
