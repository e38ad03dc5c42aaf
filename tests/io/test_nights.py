"""Nights split at local noon: four minutes of time per degree of longitude."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from fourlight.frames import RawFrame, Role
from fourlight.io.nights import NO_DATE, assign, night_of, noon_by_gap


def frame(time: datetime | None, longitude: float | None = None, role: Role = Role.LIGHT) -> RawFrame:
    return RawFrame(Path("a.fits"), 0, 100, 100, role, "header", time=time, longitude_deg=longitude)


@pytest.mark.parametrize(
    ("time", "longitude", "night"),
    [
        ("2031-03-04T23:00", 0.0, "2031-03-04"),
        ("2031-03-05T03:00", 0.0, "2031-03-04"),
        ("2031-03-05T11:59", 0.0, "2031-03-04"),
        ("2031-03-05T12:01", 0.0, "2031-03-05"),
        # at 150 degrees east local noon is 02:00 UTC, at 150 degrees west 22:00 UTC
        ("2031-03-04T14:00", 150.0, "2031-03-04"),
        ("2031-03-05T01:59", 150.0, "2031-03-04"),
        ("2031-03-05T02:01", 150.0, "2031-03-05"),
        ("2031-03-05T08:00", -150.0, "2031-03-04"),
        ("2031-03-05T08:00", 210.0, "2031-03-04"),
    ],
)
def test_night_of(time: str, longitude: float, night: str) -> None:
    assert night_of(datetime.fromisoformat(f"{time}:00+00:00"), longitude) == night


def test_noon_lies_in_the_middle_of_the_daily_gap() -> None:
    evening = datetime(2031, 3, 4, 20, 0, tzinfo=UTC)
    assert noon_by_gap([evening + timedelta(hours=hour) for hour in range(9)]) == pytest.approx(12.0)
    far_east = datetime(2031, 3, 4, 10, 0, tzinfo=UTC)
    assert noon_by_gap([far_east, far_east + timedelta(hours=8)]) == pytest.approx(2.0)
    assert noon_by_gap([evening]) == pytest.approx(8.0)


@pytest.mark.parametrize("start_hour", range(0, 24, 3))
def test_a_night_without_longitude_is_never_torn(start_hour: int) -> None:
    """Wherever on Earth: two nights of nine hours stay two nights."""
    first = datetime(2031, 3, 4, start_hour, 0, tzinfo=UTC)
    times = [first + timedelta(days=day, hours=0.5 * step) for day in (0, 1) for step in range(19)]
    dated, notes = assign([frame(time) for time in times], None)
    nights = [item.night for item in dated]
    assert len(set(nights[:19])) == 1
    assert len(set(nights[19:])) == 1
    assert nights[0] != nights[-1]
    assert len(notes) == 1
    assert "38 of 38 frames state no longitude" in notes[0]


def test_longitude_of_the_recipe_then_of_the_header() -> None:
    time = datetime(2031, 3, 5, 2, 0, tzinfo=UTC)
    dated, notes = assign([frame(time, 170.0)], None)
    assert (dated[0].night, notes) == ("2031-03-05", ())
    dated, notes = assign([frame(time, 170.0)], 0.0)
    assert (dated[0].night, notes) == ("2031-03-04", ())


def test_no_date_is_noted() -> None:
    dated, notes = assign([frame(None)], None)
    assert (dated[0].night, dated[0].problems, notes) == (None, (NO_DATE,), ())
    assert assign([], None) == ((), ())
