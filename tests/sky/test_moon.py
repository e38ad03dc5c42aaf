"""The Moon against a worked example, times of its phases, and how the sky turns."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from fourlight.core.horizon import altitude_deg
from fourlight.sky.moon import lit_share, moon_altitudes, moon_separations

PAIR = Path(__file__).parents[1] / "authorities" / "real_pair"


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


@pytest.mark.parametrize(("north", "east"), [(31.5, -38.0), (-24.6, 130.0), (52.0, 5.0)])
def test_altitude_from_a_worked_example_of_the_place(north, east):
    """Meeus 1998, example 47.a: 1992 April 12, 0h TD, right ascension 134.688470, declination 13.768368 degrees,
    368,409.7 km. Seen from the ground it stands lower by its parallax, asin(6378.14 / distance) times the cosine of the
    altitude (chapter 40), to 0.02 degrees."""
    moment = datetime(1992, 4, 12, tzinfo=UTC) - timedelta(seconds=59)
    centre = altitude_deg(134.688470, 13.768368, north, east, moment.timestamp())
    parallax = np.degrees(np.arcsin(6378.14 / 368409.7))
    expected = centre - parallax * np.cos(np.radians(centre))
    assert moon_altitudes([moment], north, east)[0] == pytest.approx(expected, abs=0.05)


def test_moon_turns_with_the_sky():
    """It culminates once in about 24 h 50 min, between its declination's extremes."""
    start = datetime(2031, 8, 20, tzinfo=UTC)
    times = [start + timedelta(minutes=10 * k) for k in range(300)]
    found = moon_altitudes(times, 31.5, -38.0)
    tops = np.flatnonzero((found[1:-1] > found[:-2]) & (found[1:-1] > found[2:])) + 1
    assert 24.3 * 6 <= tops[1] - tops[0] <= 25.4 * 6
    assert 90 - 31.5 - 29 < found.max() < 90


def test_moon_of_the_real_frames():
    """Header of the first frame of the real pair (tests/authorities/real_pair): MOONFRAC 0.48686, MOONSEP 75.97764
    degrees from the mount's place, computed by the makers of that camera for its site."""
    with fits.open(PAIR / "unsolved.fits") as units:
        header = units[0].header
    moment = datetime.fromisoformat(header["DATE-OBS"]).replace(tzinfo=UTC)
    assert lit_share([moment])[0] == pytest.approx(header["MOONFRAC"], abs=5e-4)
    site = header["LAT-OBS"], header["LONG-OBS"]
    seen = moon_separations([moment], header["RA-MNT"], header["DEC-MNT"], site)
    assert seen[0] == pytest.approx(header["MOONSEP"], abs=0.01)
    centre = moon_separations([moment], header["RA-MNT"], header["DEC-MNT"])
    assert 0.1 < abs(centre[0] - seen[0]) < 1.0, "its parallax is up to a degree"


def test_no_times_no_values():
    assert len(lit_share([])) == len(moon_altitudes([], 0, 0)) == len(moon_separations([], 0, 0)) == 0
