"""A night in whole: what stands against it, the sub, signal over noise of the night, nights ahead."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, timedelta

import numpy as np
import numpy.typing as npt

from fourlight.core.dispersion import spread_arcsec
from fourlight.errors import InputError
from fourlight.sensor.rig import Rig
from fourlight.sky.heavens import LAST_YEAR
from fourlight.sky.site import Site
from fourlight.stages.plan_ahead import Ahead, look_ahead
from fourlight.stages.plan_light import of_one, snr_per_sub
from fourlight.stages.plan_night import STEP_S, Goal, Night, Place, steps_of, watch
from fourlight.stages.plan_objects import Suited, suited_objects
from fourlight.stages.plan_sight import Sight, least_altitudes, sight_of
from fourlight.stages.plan_skies import sub_under
from fourlight.stages.plan_sub import SubLength
from fourlight.stages.plan_time import Needed, time_needed
from fourlight.stages.plan_wish import Wish

__all__ = ["Planned", "Tonight", "Wanted", "plan_night", "refuse_target"]

Float64 = npt.NDArray[np.float64]

SUN_NEAR_DEG = 10.0
"""Beyond the field, within which no target is planned."""
PART_MIN = 10
"""Minutes of a night whose sky counts as one."""
LOWEST_DEG = 10.0
"""Altitude below which nothing is told of the dispersion of air."""
SEARCHED_NIGHTS = 370
SHORTEST_H = 0.5
"""Least time of a night that is told to be the next one for a target."""


@dataclass(frozen=True)
class Wanted:
    """A night to plan."""

    site: Site
    evening: date
    place: Place | None
    goal: Goal
    rig: Rig
    rig_named: bool
    """Whether the user named camera, filter or optics, so that a sub is to be told."""
    wish: Wish
    nights_ahead: int = 0


@dataclass(frozen=True)
class Tonight:
    """What the rig gets of the night."""

    sub: SubLength
    snr: dict[str, float]
    """Of the patch, from all usable time."""
    needed: Needed | None


@dataclass(frozen=True)
class Planned:
    """A night as planned."""

    wanted: Wanted
    night: Night
    sight: Sight | None
    """None where no target was named."""
    spread_arcsec: Float64
    """(n,) by which air parts the mean light of blue and of red at the target, NaN below 10 degrees; empty without."""
    tonight: Tonight | None
    ahead: Ahead | None
    suited: list[Suited] = field(default_factory=list)
    next_evening: date | None = None
    """Of the next night in which the target is up, where it is not in this one."""


def plan_night(wanted: Wanted) -> Planned:
    """Everything about a night at a site.

    Raises
    ------
    InputError
        It does not get dark, the target never comes up, or the Sun is near it.
    """
    site, place, goal = wanted.site, wanted.place, wanted.goal
    night = watch(site, wanted.evening, goal)
    sight = None if place is None else sight_of(night, place)
    if sight is not None:
        refuse_target(night, sight, wanted.rig)
    days = wanted.nights_ahead
    ahead = look_ahead(site, wanted.evening, days, place, goal) if days else None
    if sight is None:
        side = wanted.rig.optics.field_deg(min(wanted.rig.chip.sides_mm))
        suited = suited_objects(night, side, lines_only=wanted.rig.filter.narrow)
        return Planned(wanted, night, None, np.zeros(0), None, ahead, suited)
    up = sight.usable_h > 0
    tonight = _tonight(wanted, sight) if wanted.rig_named and up else None
    later = None if up else _next_evening(wanted)
    return Planned(wanted, night, sight, _spread(wanted, sight), tonight, ahead, [], later)


def refuse_target(night: Night, sight: Sight, rig: Rig) -> None:
    """Refuse a target that is none for this site or this time of the year.

    Raises
    ------
    InputError
        It never rises, is never high enough or never clear of the skyline, or the Sun is near it.
    """
    site, place, least = night.site, sight.place, night.goal.least_altitude_deg
    where = f"target {place.name} (declination {place.dec_deg:+.1f}) at {site.name} (latitude {site.latitude_deg:+.1f})"
    if sight.highest_deg <= 0:
        raise InputError(f"{where} never rises; choose another target")
    if sight.highest_deg < least:
        raise InputError(
            f"{where} never stands higher than {sight.highest_deg:.1f} degrees, {least:g} are asked for; lower "
            "--least-altitude or choose another target"
        )
    if not (sight.target.altitude_deg >= least_altitudes(night, sight.target.azimuth_deg)).any():
        behind = "" if site.skyline is None else site.skyline.source
        raise InputError(
            f"{where} never comes out from behind the skyline of {behind}; choose another target"
        )
    apart = float(sight.target.apart_deg(night.sun).min())
    width, height = (rig.optics.field_deg(side) for side in rig.chip.sides_mm)
    if apart < SUN_NEAR_DEG + np.hypot(width, height) / 2:
        raise InputError(
            f"{where} stands {apart:.0f} degrees from the Sun on {night.evening}, within reach of the field; never "
            "point optics near the Sun; choose a date some weeks away"
        )


def _next_evening(wanted: Wanted) -> date | None:
    """The first of the nights to come in which the target is up in the dark."""
    first = wanted.evening + timedelta(days=1)
    if first.year > LAST_YEAR:
        return None
    ahead = look_ahead(wanted.site, first, SEARCHED_NIGHTS, wanted.place, wanted.goal)
    ready = np.flatnonzero(ahead.target_h >= SHORTEST_H)
    return ahead.evenings[int(ready[0])] if ready.size else None


def _spread(wanted: Wanted, sight: Sight) -> Float64:
    red, _, blue = wanted.rig.mean_nm
    high = np.where(sight.target.altitude_deg >= LOWEST_DEG, sight.target.altitude_deg, np.nan)
    if not (np.isfinite(red) and np.isfinite(blue)):
        return np.full(len(high), np.nan)
    at_45 = abs(float(spread_arcsec(blue, 45.0, float(red), wanted.site.height_m)))
    return np.asarray(at_45 / np.tan(np.radians(high)))


def _tonight(wanted: Wanted, sight: Sight) -> Tonight:
    rig, wish, sky = wanted.rig, wanted.wish, sight.sky
    minutes = np.flatnonzero(sight.usable)
    parts = np.array_split(minutes, max(1, len(minutes) // PART_MIN))
    middle = np.array([part[len(part) // 2] for part in parts])
    skies = np.array([rig.sky(float(sky.dark_mag[k]), _finite(sky.moonlit_mag[k])) for k in middle])
    passed = 10.0 ** (-0.4 * wanted.site.extinction_mag * sight.air_mass[middle])
    sub = sub_under(rig, wish, np.median(skies, axis=0), float(passed.max()))
    steps = steps_of(sight.usable)
    counts = np.array([steps[part].sum() * STEP_S / sub.advised_s for part in parts])
    snr = snr_per_sub(rig, wish.target, skies, sub.advised_s, wish.area_arcsec2, passed=passed, subs=counts)
    if wish.goal is None:
        return Tonight(sub, snr, None)
    about, reached = of_one(snr)
    hours = sight.usable_h
    return Tonight(
        sub, snr, time_needed(about, reached / hours**0.5, wish.goal, wish.hours or hours, wish.clear)
    )


def _finite(mag: float) -> float | None:
    return float(mag) if np.isfinite(mag) else None
