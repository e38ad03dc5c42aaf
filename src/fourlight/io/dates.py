"""When an exposure began, from FITS cards or from a file name. Everything is UTC.

FITS Standard 4.0 section 4.4.2.1: ``YYYY-MM-DD`` or ``YYYY-MM-DDThh:mm:ss[.s...]``; the old ``DD/MM/YY``
means the years 1900 to 1999. Dates of other shapes are not guessed at.
"""

from __future__ import annotations

import math
import re
from datetime import UTC, date, datetime, timedelta

from fourlight.io.cards import Cards, Value

__all__ = ["FileDate", "from_cards", "from_name", "parse_date"]

MJD_EPOCH = datetime(1858, 11, 17, tzinfo=UTC)
JD_OF_MJD_0 = 2400000.5
YEARS = (1950, 2150)

_ISO = re.compile(
    r"(\d{4})-(\d{1,2})-(\d{1,2})(?:[T ]+(\d{1,2}):(\d{1,2})(?::(\d{1,2}(?:\.\d*)?))?)?\s*(?:Z|UTC?)?"
)
_OLD = re.compile(r"(\d{2})/(\d{2})/(\d{2})")
_CLOCK = re.compile(r"(\d{1,2}):(\d{1,2})(?::(\d{1,2}(?:\.\d*)?))?\s*(?:Z|UTC?)?")
_NAME = re.compile(
    r"(?<!\d)(20\d\d)([-_.]?)(\d\d)\2(\d\d)(?:[-_T .]{0,2}(\d\d)([-_.:h]?)(\d\d)[-_.:m]?(\d\d))?(?!\d)"
)

FileDate = tuple[date, datetime | None]
"""Day, and the moment where the name gives the clock too."""


def parse_date(text: str, clock: str = "") -> datetime | None:
    """A FITS date string, with the time of day from ``clock`` where the date has none; None if it is no date.

    >>> parse_date("2000-01-01T12:00:00").isoformat()
    '2000-01-01T12:00:00+00:00'
    >>> parse_date("31/12/99", "23:59:59.5").isoformat()
    '1999-12-31T23:59:59.500000+00:00'
    """
    found = _ISO.fullmatch(text.strip())
    if found:
        day = _day(int(found[1]), int(found[2]), int(found[3]))
        hours, minutes, seconds = found[4], found[5], found[6]
    else:
        old = _OLD.fullmatch(text.strip())
        if old is None:
            return None
        day = _day(1900 + int(old[3]), int(old[2]), int(old[1]))
        hours = minutes = seconds = None
    if day is not None and hours is None and (time := _CLOCK.fullmatch(clock.strip())):
        hours, minutes, seconds = time[1], time[2], time[3]
    if day is None or hours is None:
        return day
    return _at(day, hours, minutes or "0", seconds or "0")


def _day(year: int, month: int, day: int) -> datetime | None:
    try:
        return datetime(year, month, day, tzinfo=UTC)
    except ValueError:
        return None


def _at(day: datetime, hours: str, minutes: str, seconds: str) -> datetime | None:
    """Moment of a day; 60 is allowed for a leap second."""
    if int(hours) > 23 or int(minutes) > 59 or float(seconds) > 61:
        return None
    return day + timedelta(hours=int(hours), minutes=int(minutes), seconds=float(seconds))


def from_cards(cards: Cards, exposure_s: float | None) -> tuple[datetime | None, bool]:
    """Start of the exposure, and whether its time of day is known.

    DATE-BEG, then DATE-OBS (the start unless the comment says otherwise), DATE-AVG and DATE-END less the
    exposure, MJD and JD cards.
    """
    length = timedelta(seconds=exposure_s or 0.0)
    for name in ("DATE-BEG", "DATE-OBS", "DATE_OBS", "DATEOBS", "DATE-AVG", "DATE-END"):
        found, has_clock = _dated(cards, name)
        if found is None or not YEARS[0] < found.year < YEARS[1]:
            continue
        comment = cards[name].comment.lower()
        if name == "DATE-AVG" or re.search(r"\bmid(dle|point|-exp)?", comment):
            found -= length / 2
        elif name == "DATE-END" or re.search(r"\bend\b", comment):
            found -= length
        return found, has_clock
    for name, middle in (("MJD-BEG", 0.0), ("MJD-OBS", 0.0), ("MJD", 0.0), ("JD", 0.0), ("MJD-AVG", 0.5)):
        found = _julian(_value(cards, name))
        if found is not None:
            return found - length * middle, True
    return None, False


def _value(cards: Cards, name: str) -> Value:
    return cards[name].value if name in cards else None


def _dated(cards: Cards, name: str) -> tuple[datetime | None, bool]:
    text = _value(cards, name)
    if not isinstance(text, str):
        return None, False
    clocks = ("TIME-OBS", "TIME_OBS", "TIMEOBS", "UT", "UTC", "UTSTART", "UT-OBS", "UTC-OBS")
    clock = next((value for key in clocks if isinstance(value := _value(cards, key), str)), "")
    return parse_date(text, clock), ":" in text or _CLOCK.fullmatch(clock.strip()) is not None


def _julian(value: Value) -> datetime | None:
    """Moment of a Julian date or modified Julian date; which of both is told by its size."""
    if isinstance(value, str):
        try:
            value = float(value)
        except ValueError:
            return None
    if not isinstance(value, int | float) or isinstance(value, bool) or not math.isfinite(value):
        return None
    days = value - JD_OF_MJD_0 if value > 2_000_000 else value
    return MJD_EPOCH + timedelta(days=days) if 33_000 < days < 110_000 else None


def from_name(name: str) -> FileDate | None:
    """Day, and time where it is there, that a file name clearly holds.

    >>> from_name("light_2031-03-04_22-10-11_001.fits")
    (datetime.date(2031, 3, 4), datetime.datetime(2031, 3, 4, 22, 10, 11, tzinfo=datetime.timezone.utc))
    >>> from_name("light_300s_0001.fits") is None
    True
    """
    for found in _NAME.finditer(name):
        day = _day(int(found[1]), int(found[3]), int(found[4]))
        if day is not None:
            return day.date(), _at(day, found[5], found[7], found[8]) if found[5] else None
    return None
