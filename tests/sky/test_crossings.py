"""Twilights, rises, sets and the meridian against almanacs and worked examples."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from fourlight.sky.crossings import (
    ASTRONOMICAL,
    CIVIL,
    NAUTICAL,
    SUNRISE,
    crossings,
    meridian_passages,
    moments_between,
    spans_below,
    sun_crossings,
)
from fourlight.sky.heavens import Heavens
from fourlight.sky.site import Site


def seconds(text: str) -> float:
    return datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()


ALMANAC = Site("of an almanac", 51.4779, -0.0015, 46.0)
DAY = seconds("2024-03-20")


# skyfield and astropy, independently of each other, which agree within a second (2024 March 20, UTC).
@pytest.mark.parametrize(
    ("level", "morning", "evening"),
    [
        (SUNRISE, "06:01:49", "18:13:50"),
        (CIVIL, "05:28:34", "18:47:11"),
        (NAUTICAL, "04:49:16", "19:26:39"),
        (ASTRONOMICAL, "04:08:21", "20:07:49"),
    ],
)
def test_twilights_of_a_day(level: float, morning: str, evening: str) -> None:
    heavens = Heavens(ALMANAC, DAY, DAY + 86400)
    (rise, up), (fall, down) = sun_crossings(heavens, DAY, DAY + 86400, level)
    assert (up, down) == (True, False)
    assert rise == pytest.approx(seconds(f"2024-03-20T{morning}"), abs=2)
    assert fall == pytest.approx(seconds(f"2024-03-20T{evening}"), abs=2)


def test_a_planet_of_a_worked_example() -> None:
    """Meeus 1998, example 15.a: Venus at latitude 42.3333, longitude 71.0833 W on 1988 March 20, transit at 0.81980 of
    the day; its place of that hour (alpha 2h46m55.51s at 0h, 4m30s more a day) taken as fixed."""
    day = seconds("1988-03-20")
    heavens = Heavens(Site("here", 42.3333, -71.0833), day, day + 86400)
    ra = (41.73129 + 42.78204) / 2 + (42.78204 - 41.73129) * (0.81980 - 0.5)
    from astropy.coordinates import TETE, SkyCoord
    from astropy.time import Time

    from fourlight.sky.moon import offline

    with offline():
        of_date = SkyCoord(ra, 18.6, unit="deg", frame=TETE(obstime=Time("1988-03-20T19:40"))).icrs
    (found,) = meridian_passages(heavens, of_date.ra.deg, of_date.dec.deg, day, day + 86400)
    assert (found - day) / 86400 == pytest.approx(0.81980, abs=60 / 86400)


def test_no_darkness_north_of_a_latitude_in_june() -> None:
    """90 - 23.44 - 18 = 48.56 degrees; the Sun moves by 0.01 degrees around the solstice."""
    first = seconds("2024-06-20T12:00")
    for north, count in ((48.5, 2), (48.62, 0)):
        heavens = Heavens(Site("here", north, 0.0), first, first + 86400)
        assert len(sun_crossings(heavens, first, first + 86400, ASTRONOMICAL)) == count


def test_stretches_below_a_level_are_cut_at_the_ends() -> None:
    when = moments_between(0.0, 86400.0)
    height = 30 * np.cos(2 * np.pi * when / 86400)
    ((start, end),) = spans_below(when, height, 0.0)
    assert (start, end) == pytest.approx((21600, 64800), abs=1e-3)
    spans = list(spans_below(when, -height, 0.0))
    assert spans[0][0] == 0.0
    assert spans[1][1] == 86400.0
    assert list(spans_below(when, height, -40.0)) == []
    assert list(spans_below(when, height, 40.0)) == [(0.0, 86400.0)]


def test_a_level_that_is_touched_by_none() -> None:
    assert crossings(np.arange(10.0), np.arange(10.0), 20.0) == []


def test_every_day_has_its_meridian_passage() -> None:
    first = seconds("2031-08-14T14:32")
    heavens = Heavens(Site("here", 31.5, -38.0), first, first + 20 * 86400)
    found = np.array(meridian_passages(heavens, 10.0, 60.0, first, first + 20 * 86400))
    assert np.diff(found) == pytest.approx(
        timedelta(hours=23, minutes=56, seconds=4.09).total_seconds(), abs=0.05
    )
