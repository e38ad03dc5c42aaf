"""Sidereal time and altitude against worked examples and a reference library."""

from datetime import UTC, datetime

import pytest
from astropy.time import Time

from fourlight.core.horizon import altitude_deg, sidereal_deg


def seconds(*when: int) -> float:
    return datetime(*when, tzinfo=UTC).timestamp()


def test_sidereal_time_of_worked_examples() -> None:
    # Meeus, Astronomical Algorithms, ex. 12.a and 12.b: 13h10m46.3668s and 8h34m57.0896s
    assert sidereal_deg(seconds(1987, 4, 10)) / 15 == pytest.approx(13 + 10 / 60 + 46.3668 / 3600, abs=3e-7)
    assert sidereal_deg(seconds(1987, 4, 10, 19, 21)) / 15 == pytest.approx(
        8 + 34 / 60 + 57.0896 / 3600, abs=3e-7
    )


@pytest.mark.parametrize("year", [2000, 2016, 2024])
def test_sidereal_time_of_a_library(year: int) -> None:
    when = seconds(year, 9, 8, 22, 30)
    other = Time(when, format="unix", scale="utc")
    other.delta_ut1_utc = 0.0
    assert sidereal_deg(when) == pytest.approx(other.sidereal_time("mean", "greenwich").deg, abs=2e-3)


def test_altitude_of_a_worked_example() -> None:
    # Meeus, ex. 13.b: altitude 15.1249 deg with apparent sidereal time (0.23 s less than mean: 0.001 deg)
    found = altitude_deg(347.3193375, -6.719892, 38.921389, -77.065556, seconds(1987, 4, 10, 19, 21))
    assert found == pytest.approx(15.1249, abs=2e-3)


def test_the_pole_stands_as_high_as_the_latitude() -> None:
    assert altitude_deg(123.0, 90.0, 31.5, -38.0, seconds(2031, 8, 14)) == pytest.approx(31.5)
