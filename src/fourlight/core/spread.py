"""Centre and scatter of values that hold outliers, without the bias that whole numbers give to hard clips.

The scatter is found with a weight that falls off as a Gaussian. It is the smooth form of a clipped standard
deviation with the truncation correction (iterated to the end, a hard clip at 3 sigma keeps 0.98485 of the
standard deviation). Its weight has no edge, so whole-number data do not bend it, while the median absolute
deviation of such data can be wrong by tens of per cent.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

__all__ = ["core_spread", "sort_few", "spread"]

FloatArray = npt.NDArray[np.float64]

_WIDTH = 1.5
"""Width of the weight in units of the standard deviation: 0.13 at 3 sigma, 2e-4 at 6 sigma."""
_DOUBLINGS = 6
"""The exponential of ``-u`` is taken as ``(1 - u / 64)^64``, which takes six products."""
_POWER = 2.0**_DOUBLINGS
_LANES = 32
"""Sums that run side by side, so that the processor can add several values at once."""
_STARTERS = 64
_INNER = np.array([0.15865, 0.05, 0.01, 0.001, 0.0])
"""Lower ends of central ranges, the first of which is one sigma to each side."""
_SIGMAS = np.array([1.0, 1.6449, 2.3263, 3.0902, 3.5])


def _variance_share() -> float:
    """Variance of a normal distribution over that of its weighted form; close to ``(1 + c^2) / c^2``."""
    away = np.linspace(-17.0, 17.0, 6801) ** 2
    weight = np.maximum(1.0 - away / (2 * _WIDTH**2 * _POWER), 0.0) ** _POWER * np.exp(-away / 2)
    return float(weight.sum() / (weight * away).sum())


_CORRECTION = _variance_share()


def spread(values: npt.ArrayLike) -> tuple[float, float]:
    """Centre and standard deviation of the normal core of values that also hold outliers.

    With the weight ``w = exp(-d^2 / (2 c^2 s^2))`` a normal distribution has
    ``E[w d^2] / E[w] = s^2 c^2 / (1 + c^2)``; the equation is solved for ``s`` by iteration, each step of which
    would be the last if all values were normal. It fails where more than about a third of the values are not of
    the core.

    Parameters
    ----------
    values : array_like
        Any shape and unit; values that are not finite are left out.

    Returns
    -------
    centre, sigma : float
        In the unit of the values; ``(nan, nan)`` without any finite value, sigma 0 for equal values.

    Examples
    --------
    >>> values = np.random.default_rng(1).normal(100.0, 5.0, 100_000)
    >>> values[:3000] = 1e4
    >>> centre, sigma = spread(values)
    >>> round(centre), round(sigma, 1)
    (100, 5.0)
    """
    flat = np.asarray(values, dtype=np.float64).ravel()
    flat = flat[np.isfinite(flat)]
    centre, sigma = core_spread(flat)
    return float(centre), float(sigma)


@njit(cache=True, nogil=True, error_model="numpy")
def core_spread(values: FloatArray, within: float = 1e-5, least: float = 0.0) -> tuple[float, float]:
    """`spread` of a (n,) float64 array of finite values, for use in other kernels.

    The iteration ends when sigma changes by less than a share of ``within``. The weight is never narrower than for a
    sigma of ``least``: of values on a grid as coarse as they scatter a narrow one would see the commonest alone.
    """
    n = len(values)
    if n == 0:
        return np.nan, np.nan
    step = max(1, n // _STARTERS)
    few = values[::step].copy()
    sort_few(few)
    centre, sigma = _start(few)
    if sigma == 0.0 and step > 1:
        few = values.copy()
        sort_few(few)
        centre, sigma = _start(few)
    sums = np.empty((3, _LANES))
    for _ in range(40):
        scale = max(sigma, least)
        if scale == 0.0:
            break
        total, first, second = _weighted(values, centre, scale, sums)
        if not total > 0.0:
            break
        shift = first / total
        ratio = max(second / total - shift * shift, 0.0) * _CORRECTION / (scale * scale)
        centre += shift * (1.0 + (_CORRECTION - 1.0) * (sigma / scale) ** 2)
        # The weighted form of a normal distribution tells its width exactly; far from it, small steps are safe.
        new = scale * np.sqrt(ratio * _WIDTH**2 / (1.0 + _WIDTH**2 - min(ratio, 1.6)))
        done = abs(new - sigma) <= within * sigma
        sigma = new
        if done:
            break
    return centre, sigma


@njit(cache=True, nogil=True, error_model="numpy")
def _weighted(
    values: FloatArray, centre: float, sigma: float, sums: FloatArray
) -> tuple[float, float, float]:
    """Sums of weight, weight times distance and weight times squared distance from a centre."""
    sums[:] = 0.0
    totals, firsts, seconds = sums[0], sums[1], sums[2]
    scale = 0.5 / ((_WIDTH * sigma) ** 2 * _POWER)
    for start in range(0, len(values), _LANES):
        part = values[start : start + _LANES]
        for i in range(len(part)):
            away = part[i] - centre
            weight = max(1.0 - scale * away * away, 0.0)
            for _ in range(_DOUBLINGS):
                weight *= weight
            totals[i] += weight
            weight *= away
            firsts[i] += weight
            seconds[i] += weight * away
    return totals.sum(), firsts.sum(), seconds.sum()


@njit(cache=True, nogil=True, error_model="numpy")
def sort_few(values: FloatArray) -> None:
    """Sort values in place; for the few that kernels sort (Shell 1959), no NaN among them."""
    gap = 1
    while gap < len(values) // 3:
        gap = 3 * gap + 1
    while gap > 0:
        for i in range(gap, len(values)):
            value, k = values[i], i
            while k >= gap and values[k - gap] > value:
                values[k] = values[k - gap]
                k -= gap
            values[k] = value
        gap //= 3


@njit(cache=True, nogil=True, error_model="numpy")
def _start(ordered: FloatArray) -> tuple[float, float]:
    """Median, and sigma from the narrowest central range that is not empty."""
    last = len(ordered) - 1
    centre = ordered[last // 2]
    for i in range(len(_INNER)):
        low = ordered[round(_INNER[i] * last)]
        high = ordered[round((1.0 - _INNER[i]) * last)]
        if high > low:
            return centre, (high - low) / 2.0 / _SIGMAS[i]
    return centre, 0.0
