"""Statistics of claims: how sure a difference is that was seen in a few frames or nights, and how many of many hold.

Frames are not independent: neighbours share seeing, sky and transparency. What is told of nights to come therefore
rests on nights, not on frames, and what is told of frames alone allows for what one frame has in common with the next.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special, stats

__all__ = ["LEVEL", "Trial", "discoveries", "doubted", "jackknife", "needed", "trial_of"]

Float64 = npt.NDArray[np.float64]

LEVEL = 0.95
"""Of intervals, unless another one is asked for."""


@dataclass(frozen=True, slots=True)
class Trial:
    """A number with its interval, and how likely chance alone is to be as far from the null."""

    value: float
    low: float
    high: float
    p: float
    """Two-sided; NaN where nothing can be told."""
    error: float
    """One standard error; inf where nothing can be told."""
    freedom: float
    """Degrees of freedom of that error."""


def trial_of(value: float, error: float, freedom: float, null: float = 0.0, level: float = LEVEL) -> Trial:
    """From a value and an error with so many degrees of freedom, by Student's t.

    >>> found = trial_of(2.0, 1.0, 10.0)
    >>> round(found.high, 3), round(found.p, 4)
    (4.228, 0.0734)
    """
    if not (freedom > 0 and np.isfinite(value) and np.isfinite(error)):
        return Trial(value, -np.inf, np.inf, float("nan"), np.inf, max(freedom, 0.0))
    reach = float(special.stdtrit(freedom, 0.5 + level / 2)) * error
    if error == 0:
        return Trial(value, value, value, 1.0 if value == null else 0.0, 0.0, freedom)
    p = 2 * float(special.stdtr(freedom, -abs(value - null) / error))
    return Trial(value, value - reach, value + reach, p, error, freedom)


def jackknife(
    whole: float,
    without: npt.ArrayLike,
    null: float = 0.0,
    level: float = LEVEL,
    *,
    share: npt.ArrayLike | None = None,
    rest: npt.ArrayLike = (),
) -> Trial:
    """An estimate from several nights, with the error that leaving out one night after the other shows.

    Parameters
    ----------
    whole : float
        The estimate from all nights.
    without : (k,) array_like
        The estimate without each of them (Quenouille 1949, Tukey 1958): three nights at least, else nothing is told.
    null, level : float
    share : (k,) array_like, optional
        Of each night in the estimate, between 0 and 1; without it all have the same.
    rest : array_like
        Shares of what is in the estimate but left out by none of ``without``, such as nights of one light. They make
        the error larger as if they differed like the nights do.

    Notes
    -----
    Of unequal nights each has a pseudo-value ``whole + (1 - share) / share * (whole - without)`` as in the delete-m_j
    jackknife (Busing, Meijer & van der Leeden 1999). They are taken to scatter alike, as nights do that differ by sky
    and haze: the variance is theirs times the sum of squared shares. That of Busing et al. has long nights scatter
    less, which holds of lights that have nothing in common; docs/decisions has what both cover.

    Examples
    --------
    Of a mean it is the usual standard error.

    >>> nights = np.array([3.0, 5.0, 4.0, 8.0])
    >>> found = jackknife(nights.mean(), [np.delete(nights, k).mean() for k in range(4)])
    >>> bool(np.isclose(found.error, nights.std(ddof=1) / 2))
    True
    """
    left = np.asarray(without, dtype=np.float64)
    k, others = left.size, np.asarray(rest, dtype=np.float64)
    if k < 3:
        return trial_of(whole, np.inf, 0.0, null, level)
    own = np.full(k, 1 / k) if share is None else np.asarray(share, dtype=np.float64)
    alone = (1 - own) / own * (whole - left)
    error = float(alone.std(ddof=1) * np.sqrt((own**2).sum() + (others**2).sum()))
    return trial_of(whole, error, k - 1, null, level)


def doubted(trial: Trial, doubt: float, null: float = 0.0, level: float = LEVEL) -> Trial:
    """The same value with an error that more of the same does not make smaller, such as a bias known to be below it.

    Parameters
    ----------
    trial : Trial
    doubt : float
        One standard error, added in square. Degrees of freedom stay: with more of them, as the sum of both has by Welch
        1947, the interval of few values could become narrower.
    null, level : float

    Examples
    --------
    >>> found = doubted(Trial(1.0, 0.3, 1.7, 0.01, 0.3, 10.0), 0.4)
    >>> round(found.error, 3), round(found.high, 3)
    (0.5, 2.114)
    """
    return trial_of(trial.value, float(np.hypot(trial.error, doubt)), trial.freedom, null, level)


def discoveries(p: npt.ArrayLike, share: float = 0.05) -> npt.NDArray[np.bool_]:
    """Which of several findings hold, where at most this share of those that do may be chance (Benjamini & Hochberg).

    Parameters
    ----------
    p : (n,) array_like
        NaN: nothing was told, which counts as no test.
    share : float

    Examples
    --------
    >>> discoveries([0.01, 0.04, 0.03, np.nan, 0.5]).tolist()
    [True, False, False, False, False]
    """
    values = np.asarray(p, dtype=np.float64)
    found = np.zeros(values.shape, dtype=np.bool_)
    known = np.flatnonzero(np.isfinite(values))
    if known.size:
        order = known[np.argsort(values[known])]
        below = np.flatnonzero(values[order] <= share * np.arange(1, order.size + 1) / order.size)
        if below.size:
            found[order[: below[-1] + 1]] = True
    return found


def needed(trial: Trial, effect: float, number: int, level: float = LEVEL, power: float = 0.8) -> int:
    """Frames or nights in all that would tell an effect of this size from the null, as noisy as those seen.

    By Student's t with as many degrees of freedom fewer than the number as those seen have: three nights need far
    clearer effects than the normal distribution says. 0 where nothing is known of the noise.

    Examples
    --------
    >>> needed(Trial(0.1, -0.3, 0.5, 0.6, 0.2, 9), effect=0.3, number=10)
    37
    """
    if not (np.isfinite(trial.error) and trial.error > 0 and effect != 0 and number > 0):
        return 0
    lost = number - trial.freedom
    asked = float(stats.norm.ppf(0.5 + level / 2) + stats.norm.ppf(power))
    found = number * (asked * trial.error / abs(effect)) ** 2
    for _ in range(20):  # converges within a few steps; the least freedom is that of three nights
        freedom = max(found - lost, 2.0)
        asked = float(special.stdtrit(freedom, 0.5 + level / 2) + special.stdtrit(freedom, power))
        found = number * (asked * trial.error / abs(effect)) ** 2
    return int(np.ceil(found))
