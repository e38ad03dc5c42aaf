"""Sun, Moon and stars over a site against skyfield with the ephemeris DE421.

Passed over where skyfield or its data are not installed: they come with the dependencies for development.
"""

from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest

from fourlight.sky.crossings import (
    ASTRONOMICAL,
    CIVIL,
    NAUTICAL,
    SUNRISE,
    meridian_passages,
    moon_crossings,
    sun_crossings,
)
from fourlight.sky.heavens import Heavens
from fourlight.sky.site import Site


def seconds(text):
    return datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()


@pytest.mark.parametrize(
    ("north", "east", "date"),
    [
        (31.5, -38.0, "2031-08-14"),
        (-45.0, 170.0, "2026-12-24"),
        (58.0, 25.0, "2027-04-10"),
        (2.0, -150.0, "1999-10-01"),
    ],
)
def test_twilights_moon_and_meridian_of_another_library(north, east, date):
    """skyfield with the ephemeris DE421: twilights within a second, the Moon within four, stars within one."""
    api = pytest.importorskip("skyfield.api", reason="skyfield comes with the dependencies for development")
    data = pytest.importorskip("skyfield_data", reason="its ephemeris comes with skyfield-data")
    with closing(api.load_file(str(Path(data.__file__).parent / "data" / "de421.bsp"))) as planets:
        compare(api, planets, Site("here", north, east, 300.0), date)


def compare(api, planets, site, date):
    """All events from one noon to the next."""
    from skyfield import almanac

    north, east = site.latitude_deg, site.longitude_deg
    scale = api.load.timescale(builtin=True)
    first = seconds(date) + 43200 - east * 240
    last = first + 86400
    heavens = Heavens(site, first, last)
    observer = planets["earth"] + api.wgs84.latlon(north, east, 300.0)
    times = [scale.from_datetime(datetime.fromtimestamp(at, UTC)) for at in (first, last)]

    def moments(found):
        return [at.utc_datetime().timestamp() for at in found]

    for level in (SUNRISE, CIVIL, NAUTICAL, ASTRONOMICAL):
        ours = sun_crossings(heavens, first, last, level)
        fall, down = almanac.find_settings(observer, planets["sun"], *times, horizon_degrees=level)
        rise, up = almanac.find_risings(observer, planets["sun"], *times, horizon_degrees=level)
        theirs = sorted([*moments(fall[down]), *moments(rise[up])])
        assert [at for at, _ in ours] == pytest.approx(theirs, abs=1.0), level
    set_, down = almanac.find_settings(observer, planets["moon"], *times)
    rise, up = almanac.find_risings(observer, planets["moon"], *times)
    theirs = sorted([*moments(set_[down]), *moments(rise[up])])
    assert [at for at, _ in moon_crossings(heavens, first, last)] == pytest.approx(theirs, abs=4.0)
    star = api.Star(ra_hours=287.4 / 15, dec_degrees=18.2)
    theirs = moments(almanac.find_transits(observer, star, *times))
    assert meridian_passages(heavens, 287.4, 18.2, first, last) == pytest.approx(theirs, abs=1.0)


@pytest.mark.parametrize("year", [1975, 2000, 2026, 2049])
def test_lit_shares_over_a_year(year):
    """Of the Moon's disk, to 2e-4 (two ephemerides; N17 of published comparisons: 8e-5)."""
    api = pytest.importorskip("skyfield.api", reason="skyfield comes with the dependencies for development")
    data = pytest.importorskip("skyfield_data", reason="its ephemeris comes with skyfield-data")
    first = seconds(f"{year}-01-01")
    moments = [first + 86400 * 9.7 * k for k in range(37)]
    ours = Heavens(Site("here", 0.0, 0.0), moments[0], moments[-1]).lit(moments)
    with closing(api.load_file(str(Path(data.__file__).parent / "data" / "de421.bsp"))) as planets:
        scale = api.load.timescale(builtin=True)
        when = scale.from_datetimes([datetime.fromtimestamp(at, UTC) for at in moments])
        seen = planets["earth"].at(when).observe(planets["moon"]).apparent()
        assert ours == pytest.approx(seen.fraction_illuminated(planets["sun"]), abs=2e-4)
