"""Noise of samples whose scatter is as small as the step of the digitiser, from how often pairs of values occur.

The variance of rounded samples is that of the noise plus a twelfth of a step squared only where the noise is larger
than about 0.75 steps. Below, it depends on where the level lies between two steps: of a noise of 0.375 steps the rule
makes anything from 0.31 to 0.43. The joint counts of two exposures of the same samples still tell both.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import optimize, special

__all__ = ["COARSE", "REACH", "counts_of_pairs", "rounded_noise"]

FloatArray = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]

COARSE = 0.75
"""Scatter in steps, rounding included, under which the rule of a twelfth misleads (it is right to 2e-4 above)."""
REACH = 6
"""Steps to either side of the usual level that are counted; noise of under `COARSE` steps lies within."""
_LEAST, _MOST = 0.02, 3.0
"""Steps, between which noise and spread are looked for."""
_NODES = 121
"""Levels over which the spread is integrated, five standard deviations to either side."""


def counts_of_pairs(first: npt.ArrayLike, second: npt.ArrayLike, middle: float, step: float) -> Int64:
    """How often each pair of values occurs, in steps from the middle.

    Parameters
    ----------
    first, second : array_like of one shape
        The same samples of two exposures, ADU; what is not finite or out of reach is left out.
    middle, step : float
        A value of the digitiser near the level, and its step, ADU.

    Returns
    -------
    (2 REACH + 1, 2 REACH + 1) int64

    Examples
    --------
    >>> counts_of_pairs([500, 501], [500, 500], 500.0, 1.0)[REACH : REACH + 2, REACH].tolist()
    [1, 1]
    """
    a = (np.asarray(first, dtype=np.float64).ravel() - middle) / step
    b = (np.asarray(second, dtype=np.float64).ravel() - middle) / step
    with np.errstate(invalid="ignore"):
        near = (np.abs(a) <= REACH) & (np.abs(b) <= REACH)
    size = 2 * REACH + 1
    places = (np.rint(a[near]) + REACH) * size + np.rint(b[near]) + REACH
    return np.bincount(places.astype(np.int64), minlength=size * size).reshape(size, size)


def rounded_noise(counts: npt.ArrayLike, near: float | None = None) -> float | None:
    """Standard deviation of the noise before rounding, in steps, by maximum likelihood.

    Parameters
    ----------
    counts : (2 REACH + 1, 2 REACH + 1) array_like
        From `counts_of_pairs`; those of several pairs may be added.
    near : float or None
        The noise, where nearly the same counts have told it: looking for it takes half the time then.

    Returns
    -------
    float or None
        None where all samples have one value, which any small noise explains.

    Notes
    -----
    Each sample has a level of its own, normal over the samples, that both exposures share; noise is normal and
    independent; values are rounded to the nearest step. Mean and spread of the levels are fitted along. It fails where
    levels are far from normal, and tells little where the noise is under a fifth of a step.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> level = rng.normal(500.0, 0.1, 40000)
    >>> a, b = (np.rint(level + rng.normal(0.0, 0.4, 40000)) for _ in range(2))
    >>> abs(rounded_noise(counts_of_pairs(a, b, 500.0, 1.0)) - 0.4) < 0.01
    True
    """
    table = np.asarray(counts, dtype=np.float64)
    table = table + table.T
    if np.count_nonzero(table) < 2:
        return None
    values = np.arange(-REACH, REACH + 1.0)
    total = table.sum()
    rows = table.sum(axis=1) / total
    mean = float(rows @ values)
    covariance = float(values @ table @ values / total - mean**2)
    variance = float(rows @ values**2 - mean**2)
    noise = np.sqrt(np.clip(variance - covariance - 1 / 12, 0.01, 1.0))
    spread = np.sqrt(np.clip(covariance, 0.0025, 1.0))
    starts = [(mean, np.log(spread), np.log(near or noise))]
    starts += [(mean, np.log(0.1), np.log(0.3))] if near is None else []
    found = [
        optimize.minimize(_surprise, start, (table,), "Nelder-Mead", options={"xatol": 1e-4, "fatol": 1e-9})
        for start in starts
    ]
    best = min(found, key=lambda result: float(result.fun))
    return float(np.clip(np.exp(best.x[2]), _LEAST, _MOST))


def _surprise(parameters: FloatArray, table: FloatArray) -> float:
    """Minus the mean log probability of a pair of values."""
    mean, (spread, noise) = parameters[0], np.clip(np.exp(parameters[1:]), _LEAST / 4, _MOST)
    nodes = np.linspace(-5.0, 5.0, _NODES)
    weights = np.exp(-0.5 * nodes**2)
    bounds = np.arange(-REACH - 0.5, REACH + 1.0)
    below = special.ndtr((bounds[:, None] - (mean + spread * nodes)) / noise)
    each = np.diff(below, axis=0)
    both = (each * (weights / weights.sum())) @ each.T
    return float(-(table * np.log(np.maximum(both, 1e-300))).sum() / table.sum())
