"""The Moon against worked examples and against astropy's own check of itself."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from fourlight.sky.moon import altitudes, lit_share, moon_altitudes


def test_lit_share_of_a_worked_example():
    """Meeus 1998, Astronomical Algorithms, example 48.a: 1992 April 12, 0h TD, k = 0.6786; TD is UTC + 59 s then."""
    found = lit_share([datetime(1992, 4, 12, tzinfo=UTC) - timedelta(seconds=59)])
    assert found[0] == pytest.approx(0.6786, abs=2e-4)


@pytest.mark.parametrize(
    ("moment", "share"),
    [
        ("2024-01-11T11:57", 0.0),
        ("2024-01-25T17:54", 1.0),
        ("2024-02-09T22:59", 0.0),
        ("2024-02-24T12:30", 1.0),
    ],
)
def test_new_and_full_moons(moment, share):
    """Times of phases in 2024, UTC, from JPL's ephemeris DE421."""
    found = lit_share([datetime.fromisoformat(moment).replace(tzinfo=UTC)])
    assert found[0] == pytest.approx(share, abs=0.004), (
        "the Moon passes up to 5 degrees beside the Sun's line"
    )


def test_altitude_of_a_worked_example():
    """Meeus 1998, example 13.b: Venus at USNO, 1987 April 10, 19h21m UT, altitude 15.1249 degrees.

    Its apparent place is of that date (right ascension 347.3193375, declination -6.719892 degrees, the values of the
    example, from memory); taken as ICRS it is off by the precession of 13 years, which is put in here.
    """
    from astropy.coordinates import SkyCoord

    seen = SkyCoord(347.3193375, -6.719892, unit="deg", frame="fk5", equinox="J1987.27").icrs
    found = altitudes(
        [datetime(1987, 4, 10, 19, 21, tzinfo=UTC)], seen.ra.deg, seen.dec.deg, 38.921389, -77.065556
    )
    assert found[0] == pytest.approx(15.1249, abs=0.02)


def test_moon_turns_with_the_sky():
    """It culminates once in about 24 h 50 min, between its declination's extremes."""
    start = datetime(2031, 8, 20, tzinfo=UTC)
    times = [start + timedelta(minutes=10 * k) for k in range(300)]
    found = moon_altitudes(times, 31.5, -38.0)
    tops = np.flatnonzero((found[1:-1] > found[:-2]) & (found[1:-1] > found[2:])) + 1
    assert 24.3 * 6 <= tops[1] - tops[0] <= 25.4 * 6
    assert 90 - 31.5 - 29 < found.max() < 90


def test_no_times_no_values():
    assert len(lit_share([])) == len(moon_altitudes([], 0, 0)) == len(altitudes([], 0, 0, 0, 0)) == 0
