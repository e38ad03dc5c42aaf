"""Dates against the FITS Standard, Meeus and astropy."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest
from astropy.time import Time

from fourlight.io.cards import Card, Cards
from fourlight.io.dates import from_cards, from_name, parse_date


def cards(**values: object) -> Cards:
    """Cards by keyword, underscores standing for hyphens; a tuple gives value and comment."""
    return {
        name.replace("_", "-"): Card(*value) if isinstance(value, tuple) else Card(value, "")  # type: ignore[arg-type]
        for name, value in values.items()
    }


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        # FITS Standard 4.4.2.1: both forms, seconds with a fraction; DD/MM/YY is 1900 to 1999 only
        ("2000-01-01T12:00:00", datetime(2000, 1, 1, 12, tzinfo=UTC)),
        ("2031-03-04T22:10:11.25", datetime(2031, 3, 4, 22, 10, 11, 250000, tzinfo=UTC)),
        ("2031-03-04", datetime(2031, 3, 4, tzinfo=UTC)),
        ("04/10/57", datetime(1957, 10, 4, tzinfo=UTC)),
        ("01/02/03", datetime(1903, 2, 1, tzinfo=UTC)),
        # found in practice: a trailing Z, a blank for T, no leading zero
        ("2031-03-04T22:10:11Z", datetime(2031, 3, 4, 22, 10, 11, tzinfo=UTC)),
        ("2031-3-4 2:10:11", datetime(2031, 3, 4, 2, 10, 11, tzinfo=UTC)),
        # a leap second (2016-12-31T23:59:60 happened) is the next midnight in a clock without them
        ("2016-12-31T23:59:60", datetime(2017, 1, 1, tzinfo=UTC)),
        # no dates
        ("2031-13-04", None),
        ("2031-02-30T00:00:00", None),
        ("2031-03-04T25:00:00", None),
        ("03/04/2031", None),
        ("tonight", None),
        ("", None),
    ],
)
def test_date_strings(text: str, expected: datetime | None) -> None:
    assert parse_date(text) == expected


@pytest.mark.parametrize("text", ["2000-01-01T12:00:00", "2016-09-09T08:12:26.5", "1999-12-31"])
def test_date_strings_agree_with_astropy(text: str) -> None:
    parsed = parse_date(text)
    assert parsed is not None
    assert abs(parsed.replace(tzinfo=None) - Time(text, format="fits").to_datetime()) < timedelta(
        microseconds=2
    )


def test_julian_dates() -> None:
    """2000-01-01T12:00:00 is MJD 51544.5; 1957 October 4.81 is JD 2436116.31 (Meeus 1998 example 7.a)."""
    moment = datetime(2000, 1, 1, 12, tzinfo=UTC)
    assert from_cards(cards(MJD_OBS=51544.5), None) == (moment, True)
    assert from_cards(cards(JD=2451545.0), None) == (moment, True)
    launch, _ = from_cards(cards(JD="2436116.31"), None)
    assert launch is not None
    assert abs(launch - datetime(1957, 10, 4, tzinfo=UTC) - timedelta(days=0.81)) < timedelta(days=1e-8) * 2
    assert from_cards(cards(JD="soon", MJD=-5.0), None) == (None, False)


def test_start_of_the_exposure_from_every_kind_of_date() -> None:
    """DATE-OBS is the start unless its comment says otherwise (1997 agreement); DATE-BEG, -AVG, -END say it."""
    start = datetime(2031, 3, 4, 22, 0, tzinfo=UTC)
    given = [
        cards(DATE_OBS="2031-03-04T22:00:00"),
        cards(DATE_BEG="2031-03-04T22:00:00", DATE_OBS="2031-03-04T22:05:00"),
        cards(DATE_OBS="2031-03-04", TIME_OBS="22:00:00"),
        cards(DATE_OBS="2031-03-04", UT="22:00:00.0"),
        cards(DATE_OBS=("2031-03-04T22:05:00", "mid-exposure")),
        cards(DATE_OBS=("2031-03-04T22:10:00", "end of exposure")),
        cards(DATE_AVG="2031-03-04T22:05:00"),
        cards(DATE_END="2031-03-04T22:10:00"),
    ]
    for one in given:
        assert from_cards(one, 600.0) == (start, True), one


def test_a_date_without_clock_and_no_date() -> None:
    assert from_cards(cards(DATE_OBS="2031-03-04"), 10.0) == (datetime(2031, 3, 4, tzinfo=UTC), False)
    assert from_cards(cards(DATE_OBS="0000-00-00T00:00:00"), 10.0) == (None, False)
    assert from_cards(cards(DATE_OBS="1900-01-01T00:00:00", MJD_OBS=51544.5), 10.0)[0] == datetime(
        2000, 1, 1, 12, tzinfo=UTC
    )
    assert from_cards({}, None) == (None, False)


@pytest.mark.parametrize(
    ("name", "day", "clock"),
    [
        ("light_20310304_221011.fits", date(2031, 3, 4), (22, 10, 11)),
        ("20310304T221011.cr2", date(2031, 3, 4), (22, 10, 11)),
        ("2031-03-04T22-10-11_r.fits", date(2031, 3, 4), (22, 10, 11)),
        ("2031.03.04 22h10m11.fits", date(2031, 3, 4), (22, 10, 11)),
        ("field_2031-03-04_0007.fits", date(2031, 3, 4), None),
        ("field_20310304.fits", date(2031, 3, 4), None),
    ],
)
def test_dates_in_file_names(name: str, day: date, clock: tuple[int, int, int] | None) -> None:
    found = from_name(name)
    assert found is not None
    assert found[0] == day
    assert found[1] == (datetime(*day.timetuple()[:3], *clock, tzinfo=UTC) if clock else None)


@pytest.mark.parametrize(
    "name", ["light_300s_0001.fits", "20311304.fits", "120310304.fits", "a2031-03_04.fits", ""]
)
def test_names_without_a_clear_date(name: str) -> None:
    assert from_name(name) is None
