"""A night, a target in it, nights ahead and what suits them: against the sky turned by hand and a slow count."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime

import numpy as np
import pytest

from fourlight.core.horizon import altitude_deg
from fourlight.core.moonlight import TWILIGHT_DEG, dark_nl, magnitude, moon_nl, nanolamberts
from fourlight.errors import InputError
from fourlight.sensor.chip import Chip
from fourlight.sensor.filters import named_filter
from fourlight.sensor.optics import Optics
from fourlight.sensor.rig import Rig
from fourlight.sensor.sensors import sensor
from fourlight.sky.site import Site
from fourlight.sky.skyline import skyline_from_text
from fourlight.stages.plan_ahead import DAY, READY, look_ahead
from fourlight.stages.plan_light import KINDS
from fourlight.stages.plan_night import Goal, Place, night_of, noon_of, stretches, watch
from fourlight.stages.plan_objects import suited_objects
from fourlight.stages.plan_sight import HALF, sight_of, sky_at
from fourlight.stages.plan_whole import Wanted, plan_night
from fourlight.stages.plan_wish import Wish

SITE = Site("ledge", 31.5, -38.0, 2100.0)
PLACE = Place("lantern", 287.4, 18.2)
EVENING = date(2031, 8, 7)
RIG = Rig(sensor("generic"), named_filter("none"), Optics(400.0, 80.0), Chip())


def wanted(site=SITE, place=PLACE, evening=EVENING, goal=None, rig=RIG, nights=0, **wish):
    return Wanted(site, evening, place, goal or Goal(), rig, True, Wish(KINDS["galaxy"], **wish), nights)


@pytest.fixture(scope="module")
def night():
    return watch(SITE, EVENING, Goal())


def test_a_night_goes_from_noon_to_noon_by_the_sun(night):
    assert noon_of(SITE, EVENING) == datetime(2031, 8, 7, 14, 32, tzinfo=UTC).timestamp()
    assert night.moments_s[-1] - night.moments_s[0] == 86400
    assert night_of(SITE, datetime(2031, 8, 8, 3, tzinfo=UTC)) == EVENING
    assert night_of(SITE, datetime(2031, 8, 8, 15, tzinfo=UTC)) == date(2031, 8, 8)


@pytest.mark.parametrize(("minute", "day"), [(45, 7), (59, 8)])
def test_a_night_that_is_over_is_not_tonight(night, minute, day):
    """The Sun rises at 7:53 UTC."""
    assert night.sun_events["sunset"][1] == pytest.approx(
        datetime(2031, 8, 8, 7, 53, tzinfo=UTC).timestamp(), abs=60
    )
    assert night_of(SITE, datetime(2031, 8, 8, 7, minute, tzinfo=UTC)) == date(2031, 8, day)


def test_days_beyond_the_date_line_are_those_of_the_clock():
    """176 degrees west by a clock of UTC+13, as islands there keep it: noon is in the UTC day before."""
    site = Site("islet", -20.0, -176.0, zone_h=13.0)
    assert noon_of(site, EVENING) == datetime(2031, 8, 6, 23, 44, tzinfo=UTC).timestamp()
    assert night_of(site, datetime(2031, 8, 7, 8, tzinfo=UTC)) == EVENING
    same = Site("islet", -20.0, 175.0, zone_h=12.0)
    assert noon_of(same, EVENING) == noon_of(Site("islet", -20.0, 175.0), EVENING)


def test_events_come_in_their_order(night):
    names = ("sunset", "civil", "nautical", "astronomical")
    evening, morning = ([night.sun_events[name][side] for name in names] for side in (0, 1))
    assert evening == sorted(evening)
    assert morning == sorted(morning, reverse=True)
    assert night.dark == [(pytest.approx(evening[-1], abs=0.01), pytest.approx(morning[-1], abs=0.01))]
    assert night.dark_now.sum() == pytest.approx((morning[-1] - evening[-1]) / 60, abs=1)


def test_the_target_stands_where_the_sky_turns_it(night):
    """Sidereal time of Meeus, chapter 12, without precession since 2000 (0.3 degrees)."""
    sight = sight_of(night, PLACE)
    for k in range(0, len(night.moments_s), 240):
        by_hand = altitude_deg(287.4, 18.2, 31.5, -38.0, float(night.moments_s[k]))
        assert sight.target.altitude_deg[k] == pytest.approx(by_hand, abs=0.45)


def test_the_sky_at_the_target_is_that_of_the_model(night):
    """Krisciunas & Schaefer 1991, put together anew."""
    sight = sight_of(night, PLACE)
    k = int(np.flatnonzero(sight.usable & (night.moon.altitude_deg > 5))[-1])
    zenith, phase = 90 - sight.target.altitude_deg[k], float(night.heavens.phase_deg(night.moments_s[k]))
    moon = moon_nl(phase, 90 - night.moon.altitude_deg[k], zenith, sight.moon_apart_deg[k], 0.2)
    dark = dark_nl(21.0, zenith, 0.2)
    assert sight.sky.mag[k] == pytest.approx(magnitude(dark + moon))
    assert sight.sky.dark_mag[k] == pytest.approx(magnitude(dark))
    assert nanolamberts(sight.sky.mag[k]) - nanolamberts(sight.sky.dark_mag[k]) == pytest.approx(moon)
    assert np.isinf(sight.sky.moonlit_mag[night.moon.altitude_deg < -TWILIGHT_DEG]).all()


def test_near_the_moon_the_sky_is_held():
    near, held = (
        sky_at(SITE, *(np.array([v]) for v in (60.0, 40.0, 20.0, apart))).mag[0] for apart in (1.0, 10.0)
    )
    assert near == held


def test_usable_time_is_dark_and_high_enough(night):
    sight = sight_of(night, PLACE)
    slow = [
        night.sun.altitude_deg[k] < -18 and sight.target.altitude_deg[k] >= 30
        for k in range(len(night.moments_s))
    ]
    assert np.count_nonzero(sight.usable != slow) <= 2
    assert sight.usable_h == pytest.approx(sum(slow) / 60, abs=0.05)


def test_a_minute_is_worth_what_noise_of_the_sky_leaves_of_it(night):
    """Squared signal over noise: twice the light of air lost squared, over the brightness of the sky."""
    sight = sight_of(night, PLACE)
    k = int(np.flatnonzero(sight.usable)[100])
    passed = 10 ** (-0.4 * 0.2 * (sight.air_mass[k] - 1))
    sky = 10 ** (-0.4 * (sight.sky.mag[k] - 21.0))
    assert sight.worth[k] == pytest.approx(passed**2 / sky, rel=1e-3)


def test_the_best_stretch_is_worth_half_of_the_best_minute_or_more(night):
    sight = sight_of(night, PLACE)
    start, end, total = sight.best
    inside = (night.moments_s >= start) & (night.moments_s <= end)
    least = HALF * sight.worth[sight.usable].max()
    assert sight.usable[inside].all()
    assert sight.worth[inside].min() >= least
    minutes = sight.worth[inside]
    assert total == pytest.approx((minutes[:-1] + minutes[1:]).sum() / 2 / 60), "trapezoids"
    assert end < night.moments_s[sight.usable][-1], "the Moon rises in this night"


def test_time_that_is_worth_as_much_as_in_the_zenith_is_worth_as_long_as_it_lasts(night):
    """In one stretch as in several: what is told of a stretch is the time from its first moment to its last."""
    seen = sight_of(night, PLACE)
    usable = seen.usable.copy()
    usable[np.flatnonzero(usable)[[40, 41, 90]]] = False
    even = replace(seen, usable=usable, worth=np.ones(len(usable)))
    lasts = sum(night.moments_s[b] - night.moments_s[a] for a, b in stretches(usable)) / 3600
    assert len(stretches(usable)) == 3
    assert even.usable_h == pytest.approx(lasts, abs=1e-9)
    assert even.worth_h == pytest.approx(lasts, abs=1e-9)
    assert seen.best[2] <= seen.worth_h


def test_a_skyline_hides_the_target(night):
    line = skyline_from_text("az,alt\n0,0\n180,0\n181,60\n359,60", "mine.csv")
    behind = replace(SITE, skyline=line)
    free, hidden = (sight_of(watch(site, EVENING, Goal()), PLACE) for site in (SITE, behind))
    away = free.usable & (free.target.azimuth_deg > 181) & (free.target.altitude_deg < 60)
    assert away.any()
    assert (hidden.usable == (free.usable & ~away)).mean() > 0.995


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"place": Place("x", 10.0, -75.0)}, "never rises"),
        ({"place": Place("x", 10.0, -40.0)}, r"never stands higher than 18\.\d degrees"),
        ({"place": Place("x", 136.9, 16.6)}, "never point optics near the Sun"),
        ({"evening": date(1931, 1, 1)}, "1961 to 2099"),
        ({"evening": date(3031, 1, 1)}, "1961 to 2099"),
        ({"site": Site("north", 70.0, 20.0), "evening": date(2031, 6, 21)}, "does not set"),
        ({"site": Site("north", 55.0, 20.0), "evening": date(2031, 6, 21)}, "--sun-below 11.5"),
    ],
)
def test_what_cannot_be_planned_is_said(changes, words):
    with pytest.raises(InputError, match=words):
        plan_night(wanted(**changes))


def test_behind_a_wall_all_around_nothing_comes_up():
    wall = skyline_from_text("az,alt\n0,85\n120,85\n240,85", "wall.csv")
    with pytest.raises(InputError, match=r"skyline of wall\.csv"):
        plan_night(wanted(site=replace(SITE, skyline=wall)))


def test_brighter_twilight_counts_where_it_is_asked_for():
    planned = plan_night(
        wanted(Site("north", 55.0, 20.0), Place("x", 10.0, 60.0), date(2031, 6, 21), Goal(30.0, 11.0))
    )
    assert 0 < planned.night.dark_h < 3


def test_a_target_of_another_season_has_its_next_night_told():
    planned = plan_night(wanted(place=Place("x", 100.0, 20.0)))
    assert planned.sight.usable_h == 0
    assert planned.tonight is None
    later = plan_night(wanted(place=Place("x", 100.0, 20.0), evening=planned.next_evening))
    assert later.sight.usable_h >= 0.4


def test_hours_ahead_are_those_of_single_nights():
    ahead = look_ahead(SITE, EVENING, 40, PLACE, Goal())
    for k in (0, 17, 39):
        night = watch(SITE, ahead.evenings[k], Goal())
        sight = sight_of(night, PLACE)
        down = night.moon.altitude_deg < -34 / 60
        assert ahead.dark_h[k] == pytest.approx(night.dark_h, abs=0.1)
        assert ahead.target_h[k] == pytest.approx(sight.usable_h, abs=0.1)
        assert ahead.moonless_h[k] == pytest.approx((night.dark_now & down).sum() / 60, abs=0.15)
        assert ahead.ready_h[k] == pytest.approx((sight.usable & down).sum() / 60, abs=0.15)
        assert ahead.lit[k] == pytest.approx(night.lit_share, abs=1e-3)
    assert (ahead.states == DAY).any(axis=1).all()
    assert ahead.ready_h == pytest.approx((ahead.states == READY).sum(axis=1) / 12)


def test_nights_after_the_end_of_the_ephemeris_are_left_out():
    assert len(look_ahead(SITE, date(2099, 12, 20), 30, None, Goal()).evenings) == 12


def test_dispersion_grows_as_the_target_sinks():
    """Filippenko 1982, table I, at an air mass of 1.5 (tangent of the zenith distance 1.118) and 600 mmHg; the site has
    760 exp(-2.1 / 8) = 584 mmHg."""
    planned = plan_night(wanted())
    spread, high = planned.spread_arcsec, planned.sight.target.altitude_deg
    assert np.isnan(spread[high < 10]).all()
    at_30 = float(np.interp(30.0, high[700:900][::-1], spread[700:900][::-1]))
    red, _, blue = RIG.mean_nm
    table = [400, 450, 500, 550, 600, 650, 700], [0.71, 0.29, 0.0, -0.21, -0.37, -0.50, -0.60]
    bent = (np.interp(blue, *table) - np.interp(red, *table)) * np.tan(np.radians(60)) / 1.118 * 584 / 600
    assert at_30 == pytest.approx(bent, rel=0.06)
    known = np.isfinite(spread)
    assert known.sum() > 300
    assert (np.diff(spread[known][np.argsort(high[known])]) <= 0).all()


def test_a_night_in_whole_adds_up_its_parts():
    """Signal over noise of the night against that of its sky and air at one moment, in a night without the Moon."""
    planned = plan_night(wanted(evening=date(2031, 8, 18), goal=Goal(60.0), rig=RIG))
    tonight, sight = planned.tonight, planned.sight
    from fourlight.stages.plan_light import snr_per_sub

    middle = np.flatnonzero(sight.usable)[sight.usable.sum() // 2]
    sky = RIG.sky(float(sight.sky.mag[middle]))
    subs = sight.usable_h * 3600 / tonight.sub.advised_s
    passed = 10 ** (-0.4 * 0.2 * sight.air_mass[middle])
    alone = snr_per_sub(RIG, KINDS["galaxy"], sky, tonight.sub.advised_s, 100.0, passed=passed, subs=subs)
    assert tonight.snr["green"] == pytest.approx(alone["green"], rel=0.03)


def test_suitable_objects_fit_the_field_and_are_up(night):
    found = suited_objects(night, 2.2, lines_only=False)
    assert 5 < len(found) <= 20
    for one in found:
        sight = sight_of(night, Place(one.each.name, one.each.ra_deg, one.each.dec_deg))
        assert one.hours == pytest.approx(sight.usable_h, abs=0.2)
        assert 0.15 <= one.share <= 1.1
        # The sky turns by 2.5 degrees in the ten minutes between moments.
        assert one.highest_deg == pytest.approx(sight.target.altitude_deg[sight.usable].max(), abs=2.5)
    glowing = suited_objects(night, 2.2, lines_only=True)
    assert glowing
    assert not [one for one in glowing if one.each.kind in ("galaxy", "open cluster")]


def test_a_field_that_suits_nothing_is_said(night):
    with pytest.raises(InputError, match="--target"):
        suited_objects(night, 1e-4, lines_only=False)


def test_stretches_reach_both_ends():
    assert stretches(np.array([True, False, True, True])) == [(0, 0), (2, 3)]
    assert stretches(np.zeros(3, dtype=bool)) == []
