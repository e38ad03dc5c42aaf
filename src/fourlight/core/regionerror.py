"""Errors of numbers that were measured in many regions and several times: leave one out, and see what changes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

__all__ = ["Measured", "agreed", "ratio_of_sums", "scattered"]

FloatArray = npt.NDArray[np.float64]

DOUBTFUL = 0.01
"""Probability under which scatter is more than chance."""


@dataclass(frozen=True, slots=True)
class Measured:
    """A number with its standard error."""

    value: float
    error: float
    excess: float = 1.0
    """Factor by which the error was enlarged, as what it is the mean of scatters by more than its errors."""


def ratio_of_sums(above: FloatArray, below: FloatArray) -> Measured:
    """Sum over sum of parts, with the error that the jackknife over the parts gives.

    Parameters
    ----------
    above, below : (n,) float64
        Of each part, weights included; parts of NaN are left out.

    Notes
    -----
    Delete-one jackknife (Tukey 1958): (n - 1) / n times the sum of squares of what leaving a part out changes. The
    error is inf with one part.

    Examples
    --------
    >>> found = ratio_of_sums(np.array([1.0, 2.0, 3.0, 4.0]), np.ones(4))
    >>> round(found.value, 3), round(found.error, 3)  # of a mean: standard deviation / sqrt(n)
    (2.5, 0.645)
    """
    known = np.isfinite(above) & np.isfinite(below)
    above, below = above[known], below[known]
    n, value = len(above), float(above.sum() / below.sum()) if below.sum() else float("nan")
    if n < 2:
        return Measured(value, float("inf"))
    left = (above.sum() - above) / (below.sum() - below)
    return Measured(value, float(np.sqrt((n - 1) / n * ((left - left.mean()) ** 2).sum())))


def scattered(values: FloatArray, errors: FloatArray, whole: Measured) -> Measured:
    """A number that is the mean of values with errors, its own error enlarged where they scatter by more than those.

    By the root of chi-squared over its degrees of freedom (Birge 1932), where chance alone would give as much in one of
    a hundred cases or less: what values have for themselves and parts have in common, such as a gain that changes from
    one pair of exposures to the next, shows in no jackknife over the parts.

    >>> scattered(np.array([1.0, 1.3, 0.7]), np.full(3, 0.01), Measured(1.0, 0.006)).error > 0.1
    True
    """
    good = np.isfinite(values) & (errors > 0) & np.isfinite(errors)
    freedom = int(good.sum()) - 1
    if freedom < 1:
        return whole
    square = float((((values[good] - whole.value) / errors[good]) ** 2).sum())
    if special.gammaincc(freedom / 2, square / 2) > DOUBTFUL:
        return whole
    factor = float(np.sqrt(square / freedom))
    return Measured(whole.value, whole.error * factor, factor)


def agreed(values: FloatArray, errors: FloatArray) -> Measured:
    """Mean of independent values by their errors, see `scattered`; NaN without any.

    >>> agreed(np.array([1.0, 1.1]), np.array([0.1, 0.1])).value.__round__(3)
    1.05
    """
    good = np.isfinite(values) & (errors > 0) & np.isfinite(errors)
    if not good.any():
        return Measured(float("nan"), float("inf"))
    weight = 1.0 / errors[good] ** 2
    mean = Measured(float((weight * values[good]).sum() / weight.sum()), float(weight.sum() ** -0.5))
    return scattered(values, errors, mean)
