"""Alarms of a night that goes on: a sub is held against what the subs before it scatter by.

Two questions are asked of each quantity. Has it *jumped*: two of the last three subs lie farther from the usual than
the scatter of the recent ones explains. Or does it *drift*: a line through the last subs is steeper than their scatter,
and what neighbours share of it, explains. Neither limit is a number of magnitudes or pixels: both are chances, of a
night without anything. What hardly costs anything is no alarm: a sub must lose a tenth of what it brings.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy import special

from fourlight.core.neighbours import shared_by_neighbours

__all__ = ["KINDS", "Alarm", "Kind", "Watchman"]

Float64 = npt.NDArray[np.float64]

FEWEST = 8
"""Quiet subs before which nothing is said."""
RECENT, BEFORE = 40, 160
"""Quiet subs that say what is usual, and that say, with those, how much quiet subs scatter."""
WINDOWS = (40, 80, 160, 320)
"""Subs through which a line is laid."""
CHANCE = 1e-4
"""Of one value beyond the limit, in a night where nothing happens."""
DRIFT_CHANCE = 2e-5
"""Of one line."""
COST = 0.1
"""Part of what a sub brings that must be lost."""
OUT_OF, BEYOND = 3, 2
"""An alarm begins when so many of the last ones are beyond, and ends when none is."""
MAD = 1.4826
MAD_EFFICIENCY = 0.37
"""Of the median absolute deviation for normal numbers: it is as good as the standard deviation of so many of them
(Huber, Robust Statistics, 1981, 5.1)."""


@dataclass(frozen=True, slots=True)
class Kind:
    """A quantity that is watched, as the logarithm of something."""

    name: str
    sign: float
    """+1: high values are bad, -1: low ones."""
    power: float
    """What a sub brings goes as the quantity to this power."""


KINDS = (
    Kind("transparency", -1.0, 2.0),
    Kind("sky", 1.0, -1.0),
    Kind("fwhm_px", 1.0, -2.0),
    Kind("elongation", 1.0, -1.0),
)
"""In electrons that the sky limits a sub brings t^2 / (sky * area of a star): that of a long one goes as its length."""


@dataclass(slots=True)
class Alarm:
    """Something that is, or was, wrong."""

    quantity: str
    drift: bool
    """Whether it came slowly."""
    raised: int
    """Number of the sub, from 0, that raised it."""
    since: int
    """Number of the first sub that it is about."""
    until: int | None
    """Number of the first sub that is well again; None: it goes on."""
    ratio: float
    """Value over the usual one, or over that where the drift began; the worst so far."""
    scatter: float
    """Relative scatter of a quiet sub, one sigma."""


@lru_cache(maxsize=512)
def _limit(count: int) -> float:
    """How many MAD sigmas a value must lie off the median of so many others.

    >>> round(_limit(40), 1) < round(_limit(10), 1)
    True
    """
    free = max(MAD_EFFICIENCY * (count - 1), 1.5)
    return float(special.stdtrit(free, 1 - CHANCE)) * float(np.sqrt(1 + np.pi / 2 / count))


@dataclass(slots=True)
class _Watch:
    """One quantity."""

    kind: Kind
    values: list[float] = field(default_factory=list)
    measured: list[int] = field(default_factory=list)
    """Subs of which the quantity is known; of others nothing is said, and no alarm begins or ends with them."""
    quiet: list[int] = field(default_factory=list)
    """Those that were neither beyond nor part of an alarm."""
    beyond: list[bool] = field(default_factory=list)
    """Of each measured sub."""
    jump: Alarm | None = None
    drift: Alarm | None = None
    drifting: int = 0
    """Last quiet subs in a row through which a line is too steep."""
    level: int = 0
    """The same through which none is."""

    def add(self, value: float, times: Float64, every: list[Alarm]) -> None:
        """Look at one more sub."""
        self.values.append(value)
        if not np.isfinite(value):
            return
        number = len(self.values) - 1
        self.measured.append(number)
        base = np.array([self.values[k] for k in self.quiet[-BEFORE:]])
        far, ratio, scatter = self._far(value, base)
        self.beyond.append(far)
        last, recent = self.measured[-OUT_OF:], self.beyond[-OUT_OF:]
        if self.jump is None and far and sum(recent) >= BEYOND:
            first = last[recent.index(True)]
            self.jump = Alarm(self.kind.name, False, number, first, None, ratio, scatter)
            every.append(self.jump)
        elif self.jump is not None:
            self._goes_on(self.jump, far, ratio, last[0], sum(recent))
        if not far and self.jump is None:
            self.quiet.append(number)
            self._look_for_drift(times, every)

    def _far(self, value: float, base: Float64) -> tuple[bool, float, float]:
        """Whether a value is beyond the limit, what it is over the usual one, and the scatter."""
        if len(base) < FEWEST:
            return False, 1.0, 0.0
        recent = base[-RECENT:]
        usual = float(np.median(recent))
        # slow changes do not show in a few subs
        scatter = MAD * max(float(np.median(np.abs(part - np.median(part)))) for part in (recent, base))
        away = value - usual
        beyond = self.kind.sign * away > _limit(len(recent)) * scatter
        return bool(beyond and self._costs(away)), float(np.exp(away)), scatter

    def _costs(self, away: float) -> bool:
        return bool(self.kind.power * away < np.log(1 - COST))

    def _goes_on(self, alarm: Alarm, far: bool, ratio: float, first: int, recent: int) -> None:
        """An alarm after one more sub: ``recent`` of the last measured ones, ``first`` and after, are beyond."""
        if far:
            alarm.ratio = max(alarm.ratio, ratio) if self.kind.sign > 0 else min(alarm.ratio, ratio)
        elif recent == 0:
            alarm.until, self.jump = first, None

    def _look_for_drift(self, times: Float64, every: list[Alarm]) -> None:
        steep = [
            found
            for n in WINDOWS
            if len(self.quiet) >= n
            and (found := self._steep(np.array(self.quiet[-n:], dtype=np.int64), times)) is not None
        ]
        self.drifting = self.drifting + 1 if steep else 0
        self.level = 0 if steep else self.level + 1
        number = len(self.values) - 1
        if steep and self.drift is None and self.drifting >= OUT_OF:
            first, ratio, scatter = max(steep, key=lambda each: abs(np.log(each[1])))
            self.drift = Alarm(self.kind.name, True, number, first, None, ratio, scatter)
            every.append(self.drift)
        elif steep and self.drift is not None:
            ratios = [self.drift.ratio, *(each[1] for each in steep)]
            self.drift.ratio = max(ratios) if self.kind.sign > 0 else min(ratios)
        elif self.drift is not None and self.level >= OUT_OF:
            self.drift.until, self.drift = self.quiet[-OUT_OF], None

    def _steep(self, subs: npt.NDArray[np.int64], times: Float64) -> tuple[int, float, float] | None:
        """First sub, change along a line, and scatter about it, where it is too steep in the bad direction."""
        values, at = np.array(self.values)[subs], times[subs]
        at = at - at.mean()
        if not np.ptp(at) > 0:
            return None
        change = float(np.ptp(at)) * float((at * values).sum() / (at**2).sum())
        if self.kind.sign * change <= 0 or not self._costs(change):
            return None
        slope, error, free, scatter = line(at, values)
        error = max(error, self._error_before(int(subs[0]), at, times))
        sure = self.kind.sign * slope > float(special.stdtrit(free, 1 - DRIFT_CHANCE)) * error
        return (int(subs[0]), float(np.exp(change)), scatter) if sure else None

    def _error_before(self, first: int, at: Float64, times: Float64) -> float:
        """Error of a slope at some times, by what the subs before the first of them scatter; 0 where they are few."""
        subs = np.array([k for k in self.quiet if k < first][-WINDOWS[-1] :], dtype=np.int64)
        if len(subs) < WINDOWS[0] or not np.ptp(times[subs]) > 0:
            return 0.0
        _, error, _, _ = line(times[subs], np.array(self.values)[subs])
        return error * float(np.sqrt(((times[subs] - times[subs].mean()) ** 2).sum() / (at**2).sum()))


def line(x: Float64, y: Float64) -> tuple[float, float, float, float]:
    """Slope of a line by least squares, its standard error, degrees of freedom, and the scatter about it.

    Neighbours that share their deviations count for fewer, see `fourlight.core.neighbours`.
    """
    away = x - x.mean()
    slope = float((away * y).sum() / (away**2).sum())
    rest = y - y.mean() - slope * away
    variance = float((rest**2).sum()) / max(len(x) - 2, 1)
    shared = shared_by_neighbours(rest, 0.97)
    number = len(x) * (1 - shared) / (1 + shared)
    error = np.sqrt(variance / float((away**2).sum()) * len(x) / number)
    return slope, float(error), float(max(number - 2, 1.0)), float(np.sqrt(variance))


class Watchman:
    """Looks at one sub after the other."""

    def __init__(self, kinds: Sequence[Kind] = KINDS) -> None:
        self._watches = [_Watch(kind) for kind in kinds]
        self._times: list[float] = []
        self.alarms: list[Alarm] = []
        """In the order in which they were raised."""

    def add(self, time_s: float, values: dict[str, float]) -> list[Alarm]:
        """Look at one more sub; the alarms that it raises.

        Parameters
        ----------
        time_s : float
            Of the sub, never less than of the one before it.
        values : dict
            By name of the `Kind`, as they are (above 0); NaN where not known.
        """
        before = len(self.alarms)
        self._times.append(time_s)
        times = np.array(self._times)
        for watch in self._watches:
            value = values.get(watch.kind.name, np.nan)
            watch.add(float(np.log(value)) if value > 0 else np.nan, times, self.alarms)
        return self.alarms[before:]

    @property
    def going_on(self) -> list[Alarm]:
        """Alarms that are not over."""
        return [alarm for alarm in self.alarms if alarm.until is None]
