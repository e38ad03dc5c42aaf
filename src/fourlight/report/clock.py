"""Moments as people read them: in a zone of their own, to the minute."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from zoneinfo import ZoneInfo

from fourlight.errors import InputError

__all__ = ["UNIVERSAL", "Clock", "capital", "clock_of", "span_words"]


@dataclass(frozen=True, slots=True)
class Clock:
    """A zone of times."""

    zone: tzinfo
    name: str

    def at(self, moment_s: float) -> datetime:
        """A moment (seconds since 1970, UTC) to the nearest minute."""
        return datetime.fromtimestamp((moment_s + 30) // 60 * 60, self.zone)

    def hm(self, moment_s: float | None) -> str:
        """Hour and minute; ``never`` where there is no such moment.

        >>> UNIVERSAL.hm(45.0), UNIVERSAL.hm(None)
        ('00:01', 'never')
        """
        return "never" if moment_s is None else f"{self.at(moment_s):%H:%M}"


UNIVERSAL = Clock(UTC, "UTC")


def clock_of(text: str | None) -> Clock:
    """The zone of hours from UTC, or of a name of the time zone database; UTC where nothing is said.

    Raises
    ------
    InputError
        There is none of this name.

    Examples
    --------
    >>> clock_of("+5:30").hm(0.0), clock_of("-3").name
    ('05:30', 'UTC-3')
    """
    if text is None or text.strip().upper() in ("UTC", "Z", ""):
        return UNIVERSAL
    hours = re.fullmatch(r"(?:UTC)?\s*([+-])(\d{1,2})(?::?(\d{2}))?", text.strip(), flags=re.IGNORECASE)
    if hours:
        minutes = (int(hours[2]) * 60 + int(hours[3] or 0)) * (-1 if hours[1] == "-" else 1)
        if abs(minutes) <= 14 * 60 and int(hours[3] or 0) < 60:
            name = f"UTC{hours[1]}{int(hours[2])}{f':{hours[3]}' if hours[3] else ''}"
            return Clock(timezone(timedelta(minutes=minutes)), name)
    try:
        return Clock(ZoneInfo(text.strip()), text.strip())
    except (ValueError, OSError, KeyError):
        raise InputError(
            f"zone {text!r}: no zone of times; write hours from UTC, such as +2 or -3:30, or a name of the time zone "
            "database"
        ) from None


def capital(text: str) -> str:
    """Text that begins with a capital letter, the others as they are."""
    return text[:1].upper() + text[1:]


def span_words(hours: float) -> str:
    """Hours as hours and minutes.

    >>> span_words(3.51), span_words(0.5), span_words(2.0), span_words(140.2)
    ('3 h 31 min', '30 min', '2 h', '140 h')
    """
    if hours >= 100:
        return f"{hours:.0f} h"
    whole = round(hours * 60)
    parts = [f"{whole // 60} h"] if whole >= 60 else []
    return " ".join([*parts, *([f"{whole % 60} min"] if whole % 60 or not parts else [])])
