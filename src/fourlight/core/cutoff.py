"""Samples that are cut off at a lowest value: how many a normal distribution would have below it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import special

__all__ = ["CUT_OFF", "cut_share"]

CUT_OFF = 0.005
"""Share of samples that may be missing below the lowest value for level and noise to be told: 1 % of the variance of
normal noise."""

MIDDLE, TAIL = 0.5, 0.995
"""Shares of samples between which the upper half tells the scatter: beyond them are hot samples."""
PILED = 0.5
"""Part of what a cut-off normal distribution has at its lowest value that must be there: elsewhere samples are not
normal, and few lie at the lowest value."""


def cut_share(values: npt.ArrayLike, step: float) -> float:
    """Share of samples below the lowest value, had they not been cut off there; 0 where they are not.

    The upper half of the samples tells the normal distribution (that of a censored normal variable, as in Tobin 1958),
    which nothing cuts there. Where nearly all samples have one value, it tells none: they count as cut off if that
    value is 0.

    Parameters
    ----------
    values : array_like
        Samples of one place of the mosaic without light, ADU; what is not finite is left out.
    step : float
        Of the digitiser, ADU.

    Examples
    --------
    >>> noise = np.rint(np.random.default_rng(1).normal(2.0, 4.0, 20000))
    >>> round(cut_share(np.maximum(noise, 0.0), 1.0), 2), cut_share(noise, 1.0) < 1e-3  # normal: 0.27 below -0.5
    (0.27, True)
    """
    known = np.asarray(values, dtype=np.float64).ravel()
    found, counts = np.unique(known[np.isfinite(known)], return_counts=True)
    if len(found) < 2:
        return float(len(found) == 1 and found[0] == 0.0)
    share = np.cumsum(counts) / counts.sum()
    low, high = int(np.argmax(share >= MIDDLE)), int(np.searchsorted(share, TAIL)) - 1
    if high <= low:
        return float(share[low]) if low == 0 and found[0] == 0.0 else 0.0
    place = special.ndtri(share[[low, high]])
    scatter = (found[high] - found[low]) / (place[1] - place[0])
    least = place[0] - (found[low] - found[0]) / scatter  # in standard deviations, upper edge of the value
    below = float(special.ndtr(least - step / scatter))
    return below if share[0] >= PILED * special.ndtr(least) else 0.0
