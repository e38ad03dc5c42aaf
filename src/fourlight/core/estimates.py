"""Estimates with their error: of nights, of pairs of lights, of values of which neighbours have something in common."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy import optimize, special

from fourlight.core.trials import LEVEL, Trial

__all__ = [
    "NOTHING",
    "Estimate",
    "difference_of_nights",
    "estimate_of",
    "mean_of_nights",
    "mean_of_pairs",
    "pseudo_values",
]

Float64 = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Estimate:
    """A number and how far it may be off, before it is asked whether it differs from anything.

    Where it is not known how much neighbours have in common, there is one standard error for every degree of it,
    with the probability of that degree; chance is then the mean over all of them.
    """

    value: float
    errors: tuple[float, ...]
    """Standard errors; inf where nothing can be told."""
    weights: tuple[float, ...]
    """Their probabilities, which add up to one."""
    freedom: float
    """Degrees of freedom of each."""
    number: int
    """Lights, pairs, patches or nights that it rests on."""
    skew: float = 1.0
    """Errors below the value over those above it, which are the ones given."""

    @property
    def told(self) -> bool:
        """Whether value and error are known."""
        return bool(self.freedom > 0 and np.isfinite(self.value) and np.isfinite(self.errors).all())

    def p(self, null: float) -> float:
        """How likely chance alone is to be as far from the null, two-sided; NaN where nothing can be told."""
        if not self.told:
            return float("nan")
        away = abs(self.value - null) / self._side(null)
        if max(self.errors) == 0:
            return 1.0 if away == 0 else 0.0
        return float(2 * self._beyond(away))

    def _side(self, null: float) -> float:
        """Errors on the side of the null over those given."""
        return self.skew if null < self.value else 1.0

    def _beyond(self, away: float) -> float:
        errors = np.maximum(np.asarray(self.errors), 1e-300)
        return float(np.asarray(self.weights) @ special.stdtr(self.freedom, -away / errors))

    def reach(self, level: float = LEVEL) -> float:
        """How far the interval reaches above the value; inf where nothing can be told."""
        if not self.told:
            return float("inf")
        single = float(special.stdtrit(self.freedom, 0.5 + level / 2))
        least, most = single * min(self.errors), single * max(self.errors)
        outside = (1 - level) / 2
        # where one error has all the probability, rounding puts the ends on either side of it
        if self._beyond(least) <= outside:
            return least
        if self._beyond(most) >= outside:
            return most
        return float(optimize.brentq(lambda x: self._beyond(x) - outside, least, most))

    def trial(self, null: float, level: float = LEVEL) -> Trial:
        """The same judged against a null; its error is the one that gives the interval by Student's t."""
        if not self.told:
            return Trial(self.value, -np.inf, np.inf, float("nan"), np.inf, max(self.freedom, 0.0))
        reach = self.reach(level)
        error = self._side(null) * reach / float(special.stdtrit(self.freedom, 0.5 + level / 2))
        low = self.value - self.skew * reach
        return Trial(self.value, low, self.value + reach, self.p(null), error, self.freedom)

    def widened(self, error: float) -> Estimate:
        """With a further standard error, independent of its own, such as one that all lights have in common."""
        return replace(self, errors=tuple(float(np.hypot(own, error)) for own in self.errors))


NOTHING = Estimate(float("nan"), (float("inf"),), (1.0,), 0.0, 0)
"""Where there is nothing to estimate from."""


def _single(value: float, error: float, freedom: float, number: int) -> Estimate:
    return (
        Estimate(value, (error,), (1.0,), freedom, number) if freedom > 0 else replace(NOTHING, value=value)
    )


def estimate_of(trial: Trial, number: int) -> Estimate:
    """What was told before, from so many lights or nights, as an estimate that gives the same interval, even or not.

    >>> found = estimate_of(Trial(0.2, 0.15, 0.3, 0.0, 0.03, 9.0), 10).trial(0.1)
    >>> round(found.low, 6), round(found.high, 6)
    (0.15, 0.3)
    """
    above, below = trial.high - trial.value, trial.value - trial.low
    if not (trial.freedom > 0 and np.isfinite([above, below]).all()):
        return replace(NOTHING, value=trial.value, number=number)
    if min(above, below) <= 0:
        above = below = max(above, below)
    error = above / float(special.stdtrit(trial.freedom, 0.5 + LEVEL / 2))
    found = _single(trial.value, error, trial.freedom, number)
    return replace(found, skew=below / above if above > 0 else 1.0)


def mean_of_nights(values: npt.ArrayLike) -> Estimate:
    """Mean of one value a night, by Student's t: what nights like these do. One night tells nothing.

    For equal shares of all nights it is the jackknife over nights (`fourlight.core.trials.jackknife`).

    >>> mean_of_nights([3.0, 5.0, 4.0, 8.0]).freedom
    3.0
    """
    known = np.asarray(values, dtype=np.float64)
    k = known.size
    if k < 2:
        return replace(NOTHING, value=float(known.mean()) if k else float("nan"), number=k)
    return _single(float(known.mean()), float(known.std(ddof=1) / np.sqrt(k)), float(k - 1), k)


def mean_of_pairs(values: npt.ArrayLike) -> Estimate:
    """Mean of differences of pairs of neighbours, one of each group: what both share has dropped out of them.

    >>> round(mean_of_pairs([0.1, 0.3, 0.2, 0.2]).value, 3)
    0.2
    """
    return mean_of_nights(values)


def difference_of_nights(first: npt.ArrayLike, second: npt.ArrayLike) -> Estimate:
    """Difference of the means of two groups of nights, one value a night, by Student's t with one common variance.

    One variance, since two or three nights of a group tell little of their own; each group needs two nights.

    >>> found = difference_of_nights([1.0, 2.0, 3.0], [5.0, 7.0])
    >>> found.value, found.freedom
    (-4.0, 3.0)
    """
    a, b = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    if min(a.size, b.size) < 2:
        return NOTHING
    freedom = a.size + b.size - 2
    variance = (((a - a.mean()) ** 2).sum() + ((b - b.mean()) ** 2).sum()) / freedom
    error = float(np.sqrt(variance * (1 / a.size + 1 / b.size)))
    return _single(float(a.mean() - b.mean()), error, float(freedom), int(a.size + b.size))


def pseudo_values(estimator: Callable[[npt.NDArray[np.intp]], float], n: int) -> Float64:
    """(n,) values whose mean is an estimate freed of its first-order bias, and whose scatter is its error.

    n times the estimate from all, less n - 1 times the one without a value (Tukey 1958): of any smooth estimator of n
    values they behave like n values of a plain mean, in the same order, so that what neighbours have in common shows.

    Parameters
    ----------
    estimator : callable
        Estimate from the values of these (m,) indices.
    n : int
        Two at least.

    Examples
    --------
    Of a mean they are the values themselves.

    >>> x = np.array([3.0, 5.0, 4.0, 8.0])
    >>> pseudo_values(lambda kept: float(x[kept].mean()), 4).tolist()
    [3.0, 5.0, 4.0, 8.0]
    """
    every = np.arange(n)
    whole = estimator(every)
    return np.array([n * whole - (n - 1) * estimator(np.delete(every, k)) for k in range(n)])
