"""One night over a site: when it is dark, and where Sun and Moon are, minute by minute."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

import numpy as np
import numpy.typing as npt

from fourlight.errors import InputError
from fourlight.sky.crossings import (
    ASTRONOMICAL,
    CIVIL,
    NAUTICAL,
    SUNRISE,
    moments_between,
    moon_crossings,
    spans_below,
    sun_crossings,
)
from fourlight.sky.heavens import FIRST_YEAR, LAST_YEAR, Heavens, Seen
from fourlight.sky.site import Site

__all__ = ["STEP_S", "Goal", "Night", "Place", "night_of", "noon_of", "steps_of", "stretches", "watch"]

Float64 = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Span = tuple[float, float]

STEP_S = 60.0
"""Between moments of a night."""


@dataclass(frozen=True, slots=True)
class Place:
    """What is to be photographed."""

    name: str
    ra_deg: float
    """J2000."""
    dec_deg: float

    @property
    def title(self) -> str:
        """What it is called at the head of a chart.

        >>> Place("10.000, -20.000", 10.0, -20.0).title
        'Target at 10.000, -20.000'
        """
        return f"Target at {self.name}" if self.name[:1].isdigit() else self.name[:1].upper() + self.name[1:]


@dataclass(frozen=True, slots=True)
class Goal:
    """What counts as time for it."""

    least_altitude_deg: float = 30.0
    sun_below_deg: float = -ASTRONOMICAL
    """How far the Sun must be below the horizon."""


@dataclass(frozen=True, slots=True, eq=False)
class Night:
    """A night at a site; arrays are (n,)."""

    site: Site
    evening: date
    """Day on which it begins, by the Sun over the site."""
    goal: Goal
    heavens: Heavens
    moments_s: Float64
    """Seconds since 1970, UTC, from noon to noon."""
    sun: Seen
    moon: Seen
    lit: Float64
    """Share of the Moon's disk."""
    sun_events: dict[str, tuple[float | None, float | None]]
    """Evening and morning of ``sunset``, ``civil``, ``nautical``, ``astronomical``; None where it does not come."""
    moon_events: list[tuple[float, bool]]
    """Rises (True) and sets."""
    dark: list[Span]
    """Stretches with the Sun far enough below."""

    @property
    def dark_now(self) -> Bools:
        """(n,) whether it is dark."""
        inside = [(self.moments_s >= a) & (self.moments_s <= b) for a, b in self.dark]
        return np.asarray(np.any(inside, axis=0), dtype=np.bool_)

    @property
    def dark_h(self) -> float:
        """Hours of darkness."""
        return sum(b - a for a, b in self.dark) / 3600

    @property
    def lit_share(self) -> float:
        """Of the Moon's disk in the middle of the night."""
        return float(self.lit[len(self.lit) // 2])


def noon_of(site: Site, evening: date) -> float:
    """The noon before a night by the mean Sun over a site, seconds since 1970, UTC.

    Raises
    ------
    InputError
        The ephemeris does not hold for that year.
    """
    if not FIRST_YEAR <= evening.year <= LAST_YEAR:
        raise InputError(
            f"--date {evening}: places of Sun and Moon are known for the years {FIRST_YEAR} to {LAST_YEAR}; give a "
            "date within them"
        )
    noon = datetime(evening.year, evening.month, evening.day, 12, tzinfo=UTC)
    return noon.timestamp() - site.day_deg * 240.0


def night_of(site: Site, now: datetime) -> date:
    """The evening of the night that goes on over a site, or, once the Sun has risen, of the one that comes next."""
    evening = (now.astimezone(UTC) + timedelta(hours=site.day_deg / 15 - 12)).date()
    moment = now.timestamp()
    morning = moment - noon_of(site, evening) > 43200.0
    sun = Heavens(site, moment - 3600, moment + 3600).sun(np.array([moment]))
    return evening + timedelta(days=int(morning and sun.altitude_deg[0] > SUNRISE))


def watch(site: Site, evening: date, goal: Goal) -> Night:
    """Everything of one night that does not depend on a target.

    Raises
    ------
    InputError
        The date is out of range, or it does not get dark.
    """
    first = noon_of(site, evening)
    last = first + 86400.0
    heavens = Heavens(site, first - 3600, last + 3600)
    moments = np.arange(first, last + 1, STEP_S)
    sun = heavens.sun(moments)
    coarse = moments_between(first, last)
    dark = list(spans_below(coarse, heavens.sun(coarse).altitude_deg, -goal.sun_below_deg))
    if not dark:
        raise InputError(_no_darkness(site, evening, float(sun.altitude_deg.min()), goal))
    return Night(
        site, evening, goal, heavens, moments, sun, heavens.moon(moments), heavens.lit(moments),
        _sun_events(heavens, first, last), moon_crossings(heavens, first, last), dark,
    )  # fmt: skip


def _no_darkness(site: Site, evening: date, lowest_deg: float, goal: Goal) -> str:
    where = f"the Sun comes down to {lowest_deg:.1f} degrees at {site.name} in the night of {evening}"
    if lowest_deg > SUNRISE:
        return f"no darkness: {where} and does not set; choose another date or site"
    return (
        f"no darkness: {where}, {-goal.sun_below_deg:g} are needed; choose another date, or take brighter twilight "
        f"with --sun-below {np.floor(-lowest_deg * 2) / 2:g} (its light is not counted in the sky)"
        if lowest_deg < CIVIL
        else f"no darkness: {where}, {-goal.sun_below_deg:g} are needed; choose another date or site"
    )


def _sun_events(heavens: Heavens, first: float, last: float) -> dict[str, tuple[float | None, float | None]]:
    levels = {"sunset": SUNRISE, "civil": CIVIL, "nautical": NAUTICAL, "astronomical": ASTRONOMICAL}
    found: dict[str, tuple[float | None, float | None]] = {}
    for name, level in levels.items():
        passed = sun_crossings(heavens, first, last, level)
        found[name] = (
            next((at for at, up in passed if not up), None),
            next((at for at, up in reversed(passed) if up), None),
        )
    return found


def stretches(mask: Bools) -> list[tuple[int, int]]:
    """Stretches of True as first and last index.

    >>> stretches(np.array([True, True, False, True]))
    [(0, 1), (3, 3)]
    """
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(np.int8), [0]])))
    return [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def steps_of(mask: Bools) -> Float64:
    """(n,) steps of time that each moment stands for: a stretch lasts from its first moment to its last.

    Within a stretch of True it is a whole step, at its ends half of one each; a moment alone lasts for no time.

    >>> steps_of(np.array([True, True, True, False, True])).tolist()
    [0.5, 1.0, 0.5, 0.0, 0.0]
    """
    both = 0.5 * (mask[1:] & mask[:-1])
    return np.asarray(np.concatenate([[0.0], both]) + np.concatenate([both, [0.0]]))
