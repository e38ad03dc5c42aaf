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

__all__ = ["core_spread", "spread"]

FloatArray = npt.NDArray[np.float64]

_WIDTH = 1.5
"""Width of the weight in units of the standard deviation: 0.14 at 3 sigma, 4e-4 at 6 sigma."""
_CORRECTION = (1.0 + _WIDTH**2) / _WIDTH**2
_STARTERS = 4096
_INNER = np.array([0.15865, 0.05, 0.01, 0.001, 0.0])
"""Lower ends of central ranges, the first of which is one sigma to each side."""
_SIGMAS = np.array([1.0, 1.6449, 2.3263, 3.0902, 3.5])


def spread(values: npt.ArrayLike) -> tuple[float, float]:
    """Centre and standard deviation of the normal core of values that also hold outliers.

    With the weight ``w = exp(-d^2 / (2 c^2 s^2))`` a normal distribution has
    ``E[w d^2] / E[w] = s^2 c^2 / (1 + c^2)``; the equation is solved for ``s`` by iteration (each step
    shrinks the error by 1 + c^2). It fails where more than about a third of the values are not of the core.

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


@njit(cache=True, nogil=True)
def core_spread(values: FloatArray) -> tuple[float, float]:
    """`spread` of a (n,) float64 array of finite values, for use in other kernels."""
    n = len(values)
    if n == 0:
        return np.nan, np.nan
    step = max(1, n // _STARTERS)
    centre, sigma = _start(np.sort(values[::step]))
    if sigma == 0.0 and step > 1:
        centre, sigma = _start(np.sort(values))
    for _ in range(40):
        if sigma == 0.0:
            break
        total = first = second = 0.0
        scale = -0.5 / (_WIDTH * sigma) ** 2
        for value in values:
            away = value - centre
            weight = np.exp(scale * away * away)
            total += weight
            first += weight * away
            second += weight * away * away
        shift = first / total
        centre += shift
        new = np.sqrt(max(second / total - shift * shift, 0.0) * _CORRECTION)
        done = abs(new - sigma) < 1e-5 * sigma
        sigma = new
        if done:
            break
    return centre, sigma


@njit(cache=True, nogil=True)
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
