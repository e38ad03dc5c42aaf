"""Two setups at the same hours of one night: what each reaches, by when, and how sure the difference is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import numpy.typing as npt

from fourlight.errors import InputError
from fourlight.sky.site import Site
from fourlight.stages.compare_draws import GROUPS, Draw, drawn, groups_of
from fourlight.stages.compare_light import CONTINUUM, Counted, Parts, kinds_of, light_of
from fourlight.stages.compare_setup import Setup, taken
from fourlight.stages.compare_snr import ALL_LIGHT, STAR, Course, Patch, course
from fourlight.stages.plan_light import Target
from fourlight.stages.plan_night import STEP_S, Goal, Night, Place, stretches, watch
from fourlight.stages.plan_sight import Sight, sight_of
from fourlight.stages.plan_whole import refuse_target

__all__ = ["BOUNDS", "Asked", "Assumed", "Compared", "Quantity", "Side", "compare"]

Float64 = npt.NDArray[np.float64]

PART_MIN = 10
"""Minutes whose sky counts as one."""
MOMENTS = 181
"""Of the clock, at which signal over noise is told."""
BOUNDS = (0.05, 0.95)
"""Of an interval: nine draws of ten lie within."""
ALONE = 40
"""Draws of each assumption by itself."""


@dataclass(frozen=True)
class Asked:
    """What is compared, and when."""

    site: Site
    evening: date
    place: Place | None
    """None: one that passes through the zenith in the middle of the darkness."""
    goal: Goal
    setups: tuple[Setup, Setup]
    target: Target
    hours: float
    area_arcsec2: float
    star_mag: float = 20.0
    seeing_arcsec: float = 3.0
    needed: tuple[str, ...] = ()
    """Kinds of light that the picture needs; empty: all lines, without lines all parts of the continuum."""
    draws: int = 400
    seed: int = 1


@dataclass(frozen=True)
class Quantity:
    """One value of both setups, and the second over the first."""

    name: str
    values: tuple[float, float]
    ratio: float
    """As stated; infinite where the first tells nothing, NaN where neither does."""
    low: float
    high: float
    """Of the ratio over all assumptions, see `BOUNDS`."""


@dataclass(frozen=True, eq=False)
class Side:
    """One setup in the night."""

    setup: Setup
    course: Course
    worst: Float64
    """(g,) of the kind of light that is told least of those needed."""
    worst_low: Float64
    worst_high: Float64
    complete_s: float | None
    """From when on all that is needed is told; None: never."""
    blind: tuple[str, ...]
    """Kinds of light that it cannot tell from others in all the hours."""


@dataclass(frozen=True, slots=True)
class Assumed:
    """An assumption, and the ratio of the weakest needed light over its range alone."""

    name: str
    range: str
    source: str
    low: float
    high: float


@dataclass(frozen=True, eq=False)
class Compared:
    """What came out."""

    asked: Asked
    night: Night
    sight: Sight
    start_s: float
    """First moment, seconds since 1970, UTC."""
    parts: Parts
    needed: tuple[str, ...]
    sides: tuple[Side, Side]
    lights: tuple[list[Counted], list[Counted]]
    quantities: list[Quantity]
    """Of the last moment; that of the weakest needed light first."""
    assumed: list[Assumed]


def compare(asked: Asked) -> Compared:
    """Two setups at the same hours.

    Raises
    ------
    InputError
        It does not get dark, the target is not up for so long, or a setup cannot work.
    """
    kinds = kinds_of(asked.target)
    needed = _needed(asked, kinds)
    night = watch(asked.site, asked.evening, asked.goal)
    place = asked.place or overhead(night)
    sight = sight_of(night, place)
    for setup in asked.setups:
        refuse_target(night, sight, setup.glass[0].rig)
    start = _window(night, sight, asked.hours)
    parts = _parts(sight, start, asked)
    patch = Patch(kinds, asked.area_arcsec2, asked.star_mag, asked.seeing_arcsec)
    lights = tuple(light_of(setup, asked.target, kinds) for setup in asked.setups)
    times = np.linspace(0.0, asked.hours * 3600, MOMENTS)
    made = _Made(asked, lights, parts, patch, times, needed)
    plain = made.courses(None)
    names = groups_of(asked.setups, lights, moon=bool(np.isfinite(parts.moonlit_mag).any()))
    cases = [made.courses(made.draw(names, k)) for k in range(asked.draws)]
    return Compared(
        asked, night, sight, float(night.moments_s[start]), parts, needed,
        (made.side(0, plain, cases), made.side(1, plain, cases)), (lights[0], lights[1]),
        made.quantities(plain, cases), made.alone(names),
    )  # fmt: skip


def _needed(asked: Asked, kinds: tuple[str, ...]) -> tuple[str, ...]:
    known = (*kinds, ALL_LIGHT, STAR)
    for name in asked.needed:
        if name not in known:
            raise InputError(
                f"needed light {name!r}: the {asked.target.name} has {', '.join(kinds)}; name those, {ALL_LIGHT} or "
                f"{STAR}"
            )
    lines = tuple(kind for kind in kinds if kind != CONTINUUM)
    return asked.needed or lines


def overhead(night: Night) -> Place:
    """A place that passes through the zenith in the middle of the darkness."""
    start, end = max(night.dark, key=lambda span: span[1] - span[0])
    days = ((start + end) / 2) / 86400.0 + 2440587.5 - 2451545.0
    sidereal = 280.46061837 + 360.98564736629 * days + night.site.longitude_deg
    return Place("a place that passes through the zenith", sidereal % 360.0, night.site.latitude_deg)


def _window(night: Night, sight: Sight, hours: float) -> int:
    """First minute of the hours that are worth most, all of one stretch of usable time."""
    length = round(hours * 3600 / STEP_S)
    best: tuple[float, int] | None = None
    longest = 0.0
    total = np.concatenate([[0.0], np.cumsum(sight.worth)])
    for a, b in stretches(sight.usable):
        longest = max(longest, (b - a) * STEP_S / 3600)
        for first in range(a, b - length + 1):
            worth = float(total[first + length] - total[first])
            if best is None or worth > best[0]:
                best = worth, first
    if best is None:
        least = night.goal.least_altitude_deg
        raise InputError(
            f"--hours {hours:g}: {sight.place.name} is {least:g} degrees high in the dark for {longest:.1f} h without "
            f"a break at {night.site.name} in the night of {night.evening}; give fewer hours, another date or a lower "
            "--least-altitude"
        )
    return best[1]


def _parts(sight: Sight, start: int, asked: Asked) -> Parts:
    minutes = start + np.arange(max(1, round(asked.hours * 3600 / STEP_S)))
    groups = np.array_split(minutes, max(1, len(minutes) // PART_MIN))
    middle = np.array([group[len(group) // 2] for group in groups])
    ends = np.array([(group[-1] + 1 - start) * STEP_S for group in groups])
    sky = sight.sky
    return Parts(
        ends, sky.dark_mag[middle], sky.moonlit_mag[middle], sight.air_mass[middle], asked.site.extinction_mag
    )


Pair = tuple[Course, Course]


class _Made:
    """Courses of both setups under any draw."""

    def __init__(
        self, asked: Asked, lights: Sequence[list[Counted]], parts: Parts, patch: Patch, times_s: Float64,
        needed: tuple[str, ...],
    ) -> None:  # fmt: skip
        self.asked, self.lights, self.parts, self.patch = asked, lights, parts, patch
        self.times_s, self.needed = times_s, needed
        # Rounds are planned with the costs that are stated, whatever they turn out to be.
        self.rounds = [taken(setup, asked.hours).round_s for setup in asked.setups]

    def draw(self, names: Sequence[str], number: int) -> Draw:
        return drawn(self.asked.seed, number, self.lights, names, self.asked.seeing_arcsec)

    def courses(self, draw: Draw | None) -> Pair:
        found = [
            course(
                setup, self.lights[k], self.parts, self.patch, self.asked.hours, self.times_s, draw=draw, number=k,
                round_s=self.rounds[k],
            )
            for k, setup in enumerate(self.asked.setups)
        ]  # fmt: skip
        return found[0], found[1]

    def side(self, k: int, plain: Pair, cases: list[Pair]) -> Side:
        worst = plain[k].worst(self.needed)
        every = np.array([case[k].worst(self.needed) for case in cases] or [worst])
        told = np.flatnonzero(worst > 0)
        blind = tuple(kind for kind in self.patch.kinds if not plain[k].snr[kind][-1] > 0)
        low, high = np.quantile(every, BOUNDS, axis=0)
        return Side(
            self.asked.setups[k], plain[k], worst, low, high,
            float(self.times_s[told[0]]) if told.size else None, blind,
        )  # fmt: skip

    def quantities(self, plain: Pair, cases: list[Pair]) -> list[Quantity]:
        found = [self._quantity("weakest", plain, cases)] if len(self.needed) > 1 else []
        names = [
            *self.needed,
            *(kind for kind in self.patch.kinds if kind not in self.needed),
            ALL_LIGHT,
            STAR,
        ]
        return found + [self._quantity(name, plain, cases) for name in dict.fromkeys(names)]

    def _quantity(self, name: str, plain: Pair, cases: list[Pair]) -> Quantity:
        values = self._last(name, plain)
        low, high = _bounds([_ratio(self._last(name, case)) for case in cases])
        return Quantity(name, values, _ratio(values), low, high)

    def _last(self, name: str, pair: Pair) -> tuple[float, float]:
        if name == "weakest":
            return float(pair[0].worst(self.needed)[-1]), float(pair[1].worst(self.needed)[-1])
        return float(pair[0].snr[name][-1]), float(pair[1].snr[name][-1])

    def alone(self, names: Sequence[str]) -> list[Assumed]:
        found = []
        about = "weakest" if len(self.needed) > 1 else self.needed[0]
        for name in names:
            few = min(ALONE, self.asked.draws)
            about_it = STAR if name == "seeing" else about
            ratios = [_ratio(self._last(about_it, self.courses(self.draw([name], k)))) for k in range(few)]
            group = GROUPS[name]
            found.append(Assumed(name, group.range, group.source, *_bounds(ratios)))
        return found


def _ratio(values: tuple[float, float]) -> float:
    """The second over the first."""
    first, second = values
    if first <= 0:
        return np.inf if second > 0 else np.nan
    return second / first


def _bounds(ratios: list[float]) -> tuple[float, float]:
    known = [ratio for ratio in ratios if not np.isnan(ratio)]
    if not known:
        return np.nan, np.nan
    low, high = np.quantile(known, BOUNDS, method="inverted_cdf")
    return float(low), float(high)
