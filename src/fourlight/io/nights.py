"""Which night a frame belongs to: nights are split at local noon."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from fourlight.frames import RawFrame, Role

__all__ = ["assign", "night_of", "noon_by_gap"]

NO_DATE = "no date that can be read, so the night is not known"
DATED = (Role.LIGHT, Role.FLAT)
"""Roles to which the night matters."""


def night_of(time: datetime, longitude_deg: float) -> str:
    """Civil date (ISO), local mean solar time, of the noon before a moment.

    Parameters
    ----------
    time : datetime
        UTC, timezone-aware.
    longitude_deg : float
        Degrees, east positive: four minutes of time per degree.

    Examples
    --------
    >>> from datetime import UTC
    >>> night_of(datetime(2016, 9, 9, 8, 12, tzinfo=UTC), -155.58)
    '2016-09-08'
    """
    east = (longitude_deg + 180.0) % 360.0 - 180.0
    return (time + timedelta(hours=east / 15.0 - 12.0)).date().isoformat()


def noon_by_gap(times: Sequence[datetime]) -> float:
    """Hour UTC in the middle of the longest daily span in which no frame was taken.

    The assumption is that nobody exposes around noon; a single frame puts noon twelve hours away from it.
    """
    hours = sorted({moment.hour + moment.minute / 60 + moment.second / 3600 for moment in times})
    gaps = [
        ((after - before) % 24.0 or 24.0, before)
        for before, after in zip(hours, hours[1:] + hours[:1], strict=True)
    ]
    length, before = max(gaps)
    return (before + length / 2) % 24.0


def assign(
    frames: Sequence[RawFrame], longitude_deg: float | None
) -> tuple[tuple[RawFrame, ...], tuple[str, ...]]:
    """Frames with their nights, and sentences on what was assumed.

    Parameters
    ----------
    frames : sequence of RawFrame
    longitude_deg : float or None
        From the recipe; before what headers say.
    """
    notes: list[str] = []
    open_ended = [
        frame for frame in frames if frame.time and longitude_deg is None and frame.longitude_deg is None
    ]
    fallback = 0.0
    if open_ended:
        lights = [frame.time for frame in open_ended if frame.time and frame.role is Role.LIGHT]
        noon = noon_by_gap(lights or [frame.time for frame in open_ended if frame.time])
        fallback = (12.0 - noon) * 15.0
        notes.append(
            f"{len(open_ended)} of {len(frames)} frames state no longitude: noon is taken at "
            f"{int(noon):02d}:{int(noon % 1 * 60):02d} UTC, in the middle of the daily gap between exposures "
            "(read.longitude_deg sets it)"
        )
    dated = []
    for frame in frames:
        if frame.time is None:
            unknown = not frame.night and frame.role in DATED
            dated.append(replace(frame, problems=(*frame.problems, NO_DATE)) if unknown else frame)
            continue
        known = longitude_deg if longitude_deg is not None else frame.longitude_deg
        night = night_of(frame.time, fallback if known is None else known)
        dated.append(replace(frame, night=night))
    return tuple(dated), tuple(notes)
