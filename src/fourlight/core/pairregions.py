"""Level and scatter of two exposures of the same light, region by region and place by place of the mosaic cell.

Places are the four samples of the 2 x 2 cell in the order ``[0, 0], [0, 1], [1, 0], [1, 1]``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

__all__ = ["Regions", "edges", "joined", "light_variance", "pair_band"]

FloatArray = npt.NDArray[np.float64]
Float32 = npt.NDArray[np.float32]
Int64 = npt.NDArray[np.int64]

MOST = 16
"""Regions along a side."""
LEAST_SIDE = 24
"""Pixels along a side of a region: 144 samples of each place, whose variance is known to 12 %."""
OUTLIER = 5.5
"""Standard deviations beyond which a difference is a particle or a jump of a sample. It takes 1e-6 off the variance of
normal differences (truncated normal distribution)."""
ROUNDS = 4


@dataclass(frozen=True, slots=True)
class Regions:
    """What one pair of exposures holds; all arrays are (4, r): places and regions."""

    first: FloatArray
    """Mean of the first exposure, ADU, pedestal included."""
    second: FloatArray
    spread: FloatArray
    """Variance of the difference of the two, ADU^2, each scaled to their common level where that was asked for."""
    count: FloatArray
    """Samples that went into it."""
    full: FloatArray
    """Share of samples that are full in either exposure."""


def edges(length: int) -> Int64:
    """Even first pixels of the regions along a side, and its end.

    >>> edges(100).tolist(), edges(4000).tolist()[:3]
    ([0, 24, 50, 74, 100], [0, 250, 500])
    """
    parts = int(np.clip(length // LEAST_SIDE, 1, MOST))
    return np.append(np.linspace(0, length, parts, endpoint=False) // 2 * 2, length).astype(np.int64)


def pair_band(
    first: Float32, second: Float32, columns: Int64, zero: FloatArray, full: float, scaled: bool
) -> FloatArray:
    """One row of regions.

    Parameters
    ----------
    first, second : (ny, nx) float32
        Rows of both exposures, ADU, from an even row on; NaN is left out.
    columns : (r + 1,) int64
        From `edges`.
    zero : (4,) float64
        Level of no light at each place, ADU.
    full : float
        Level of a full sample, ADU; inf where not known.
    scaled : bool
        Bring both exposures to their common level first, each by one factor for a place of a region: a lamp that
        drifts then leaves nothing in the difference. For exposures without light it has no meaning.

    Returns
    -------
    (5, 4, r) float64
        In the order of the fields of `Regions`.
    """
    return _pair_band(first, second, columns, np.asarray(zero, dtype=np.float64), full, scaled)


def joined(rows: list[FloatArray]) -> Regions:
    """Regions of a whole frame from its rows of regions."""
    return Regions(*np.concatenate(rows, axis=2))


def light_variance(found: Regions, zero: FloatArray, dark: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Level above no light, and the temporal variance that the light alone gives a sample of that level.

    With levels ``A`` and ``B`` of the two exposures, both scaled to their mean ``M``, the difference of samples of gain
    ``g`` has the variance ``d M^2 (1/A^2 + 1/B^2) + 2 M^3 / (g A B)``, with ``d`` the variance without light; at
    ``A = B`` this is the difference method of EMVA 1288 (section on the photon transfer method).

    Parameters
    ----------
    found : Regions
        Of two scaled exposures.
    zero, dark : (4, r) or (4, 1) float64
        Level (ADU) and variance of one sample (ADU^2) without light, rounding included.

    Returns
    -------
    level, variance : (4, r) float64
        ADU and ADU^2; NaN where a region shows no light.
    """
    a, b = found.first - zero, found.second - zero
    with np.errstate(invalid="ignore", divide="ignore"):
        a, b = np.where(a > 0, a, np.nan), np.where(b > 0, b, np.nan)
        middle = (a + b) / 2
        rest = found.spread - dark * middle**2 * (1 / a**2 + 1 / b**2)
        return middle, rest * a * b / (2 * middle**2)


@njit(cache=True, nogil=True, error_model="numpy")
def _pair_band(
    first: Float32, second: Float32, columns: Int64, zero: FloatArray, full: float, scaled: bool
) -> FloatArray:
    regions = len(columns) - 1
    out = np.zeros((5, 4, regions))
    for place in range(4):
        for r in range(regions):
            x0, x1 = columns[r], columns[r + 1]
            a = first[place // 2 :: 2, x0 + place % 2 : x1 : 2]
            b = second[place // 2 :: 2, x0 + place % 2 : x1 : 2]
            out[:, place, r] = _region(a, b, zero[place], full, scaled)
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _region(a: Float32, b: Float32, zero: float, full: float, scaled: bool) -> FloatArray:
    """Means, variance of the difference, samples in it and share of full ones."""
    out = np.full(5, np.nan)
    mean_a, mean_b, share, n = _means(a, b, zero, full)
    out[3] = 0.0
    if n < 9:
        return out
    out[0], out[1], out[4] = mean_a + zero, mean_b + zero, share
    factor_a = factor_b = 1.0
    if scaled and mean_a > 0.0 and mean_b > 0.0:
        factor_a, factor_b = 0.5 * (mean_a + mean_b) / mean_a, 0.5 * (mean_a + mean_b) / mean_b
    out[2], out[3] = _spread(a, b, zero, factor_a, factor_b, mean_a * factor_a - mean_b * factor_b)
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _means(a: Float32, b: Float32, zero: float, full: float) -> tuple[float, float, float, int]:
    """Means above the level of no light, share of full samples, and samples that are known in both."""
    sum_a = sum_b = 0.0
    n = 0
    over = 0
    for y in range(a.shape[0]):
        for x in range(a.shape[1]):
            p, q = np.float64(a[y, x]), np.float64(b[y, x])
            if p - p == 0.0 and q - q == 0.0:
                sum_a += p - zero
                sum_b += q - zero
                n += 1
                if p >= full or q >= full:
                    over += 1
    least = max(n, 1)
    return sum_a / least, sum_b / least, over / least, n


@njit(cache=True, nogil=True, error_model="numpy")
def _spread(
    a: Float32, b: Float32, zero: float, factor_a: float, factor_b: float, middle: float
) -> tuple[float, float]:
    """Variance of the difference about its mean without outliers, and the samples in it."""
    limit, variance = np.inf, np.nan
    used = 0
    for _ in range(ROUNDS):
        total = square = 0.0
        used = 0
        for y in range(a.shape[0]):
            for x in range(a.shape[1]):
                d = (np.float64(a[y, x]) - zero) * factor_a - (np.float64(b[y, x]) - zero) * factor_b - middle
                if abs(d) <= limit:  # false for what is not known
                    total += d
                    square += d * d
                    used += 1
        if used < 2:
            return np.nan, 0.0
        variance = max(square - total * total / used, 0.0) / (used - 1)
        middle += total / used
        if OUTLIER * np.sqrt(variance) >= limit:
            break
        limit = OUTLIER * np.sqrt(variance)
    return variance, float(used)
