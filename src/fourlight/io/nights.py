"""Which night a frame belongs to: nights are split at local noon."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from fourlight.frames import RawFrame, Role

__all__ = ["assign", "going_on", "night_of", "noon_by_gap"]

NO_DATE = "no date that can be read, so the night is not known"
LONGITUDE, ZONE = "longitude", "time zone"
"""What a frame may lack that tells when it is noon."""
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

    Clocks that state no zone may show local time, to which no longitude is to be added: for them, as for frames whose
    longitude is not known, noon is where nobody exposes.

    Parameters
    ----------
    frames : sequence of RawFrame
    longitude_deg : float or None
        From the recipe; before what headers say.
    """
    notes: list[str] = []
    noons: dict[str, float] = {}
    for lacking in (LONGITUDE, ZONE):
        open_ended = [frame for frame in frames if _lacking(frame, longitude_deg) == lacking]
        if open_ended:
            lights = [frame.time for frame in open_ended if frame.time and frame.role is Role.LIGHT]
            noon = noon_by_gap(lights or [frame.time for frame in open_ended if frame.time])
            noons[lacking] = noon
            notes.append(_note(lacking, noon, len(open_ended), len(frames)))
    return tuple(_dated(frame, longitude_deg, noons) for frame in frames), tuple(notes)


def going_on(frame: RawFrame, longitude_deg: float | None, noons: dict[str, float]) -> RawFrame:
    """A frame of a night that goes on, with its night by a noon that stays where the first light put it.

    Parameters
    ----------
    frame : RawFrame
    longitude_deg : float or None
        From the recipe; before what headers say.
    noons : dict
        Hours, of what frames may lack; gets that of the first light.
    """
    lacking = _lacking(frame, longitude_deg)
    if lacking and frame.time and frame.role is Role.LIGHT:
        noons.setdefault(lacking, noon_by_gap([frame.time]))
    return frame if lacking and lacking not in noons else _dated(frame, longitude_deg, noons)


def _lacking(frame: RawFrame, longitude_deg: float | None) -> str:
    """What would tell the noon of a frame with a time, and is not known; empty where nothing is lacking."""
    if frame.time is None:
        return ""
    if not frame.zone_known:
        return ZONE
    return LONGITUDE if longitude_deg is None and frame.longitude_deg is None else ""


def _note(lacking: str, noon: float, count: int, of: int) -> str:
    clock = f"{int(noon):02d}:{int(noon % 1 * 60):02d}"
    whose, way = ("UTC", " (read.longitude_deg sets it)") if lacking == LONGITUDE else ("of their clock", "")
    return (
        f"{count} of {of} frames state no {lacking}: noon is taken at {clock} {whose}, in the middle of the daily gap "
        f"between exposures{way}"
    )


def _dated(frame: RawFrame, longitude_deg: float | None, noons: Mapping[str, float]) -> RawFrame:
    """A frame with its night, or with the problem that it has none; ``noons``, in hours, of what frames may lack."""
    if frame.time is None:
        unknown = not frame.night and frame.role in DATED and NO_DATE not in frame.problems
        return replace(frame, problems=(*frame.problems, NO_DATE)) if unknown else frame
    lacking = _lacking(frame, longitude_deg)
    known = longitude_deg if longitude_deg is not None else frame.longitude_deg
    east = (12.0 - noons[lacking]) * 15.0 if lacking or known is None else known
    return replace(frame, night=night_of(frame.time, east))
