"""Nights split at local noon: four minutes of time per degree of longitude."""

from __future__ import annotations

from dataclasses import replace
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


@pytest.mark.parametrize("longitude", [None, -155.0, 150.0])
def test_a_clock_of_unknown_zone_is_split_at_its_own_gap(longitude: float | None) -> None:
    """A night of 19:00 to 04:00 on a clock of local time, wherever: no longitude is added to it."""
    first = datetime(2031, 3, 4, 19, 0, tzinfo=UTC)
    raws = [replace(frame(first + timedelta(hours=step)), zone_known=False) for step in range(10)]
    known = frame(datetime(2031, 3, 5, 2, 0, tzinfo=UTC), -155.0)
    dated, notes = assign([*raws, known], longitude)
    assert {item.night for item in dated[:-1]} == {"2031-03-04"}
    assert dated[-1].night == ("2031-03-05" if longitude == 150.0 else "2031-03-04")
    assert len(notes) == 1
    assert notes[0].startswith(
        "10 of 11 frames state no time zone: noon is taken at 11:30 of their clock, in"
    )


def test_clocks_with_and_without_zone_have_noons_of_their_own() -> None:
    """Far east, one camera on UTC and one on local time ten hours ahead of it."""
    first = datetime(2031, 3, 4, 10, 0, tzinfo=UTC)
    known = [frame(first + timedelta(hours=step)) for step in range(9)]
    local = [replace(frame(item.time + timedelta(hours=10)), zone_known=False) for item in known if item.time]
    dated, notes = assign([*known, *local], None)
    assert [item.night for item in dated] == ["2031-03-04"] * 18
    assert [note.split(":")[0] for note in notes] == [
        "9 of 18 frames state no longitude",
        "9 of 18 frames state no time zone",
    ]


def test_no_date_is_noted() -> None:
    dated, notes = assign([frame(None)], None)
    assert (dated[0].night, dated[0].problems, notes) == (None, (NO_DATE,), ())
    assert assign(dated, None)[0] == dated, "told once"
    assert assign([], None) == ((), ())
