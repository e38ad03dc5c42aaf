"""Sites, places and dates as somebody who plans names them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from fourlight.errors import InputError
from fourlight.io.texts import text_of
from fourlight.pipeline.rigs import OwnFile

if TYPE_CHECKING:
    from fourlight.report.clock import Clock
    from fourlight.sky.site import Site
    from fourlight.sky.skyline import Skyline
    from fourlight.stages.plan_night import Place

__all__ = ["NamedSite", "evening_of", "place_of", "site_of"]

WRITTEN = "give --site LATITUDE,LONGITUDE,HEIGHT such as 31.5,-38,2100"


@dataclass(frozen=True)
class NamedSite:
    """A site, its zone, and what was assumed of it."""

    site: Site
    zone: str | None
    assumed: list[str]


def site_of(
    own: OwnFile, text: str, *, sky: float | None, extinction: float | None, horizon: Path | None
) -> NamedSite:
    """The site of a name in the user's file, or of coordinates; options overrule the file.

    Raises
    ------
    InputError
        There is none of this name, or a number is out of bounds.
    """
    from fourlight.pipeline.own_things import entry_of
    from fourlight.sky.site import DARK_SKY_MAG, EXTINCTION_MAG, UNNAMED, Site, site_from_text
    from fourlight.sky.skyline import WIDE_DEG

    written, zone, skyline = site_from_text(text), None, horizon
    if written is not None:
        site = Site(UNNAMED, *written)
    else:
        there = str(own.path) if own.there else f"{own.path} (there is no such file)"
        entry = entry_of(own.things.site, "site", text, there, WRITTEN)
        site = Site(text, entry.latitude_deg, entry.longitude_deg, entry.height_m)
        zone = entry.zone
        sky = entry.sky_mag if sky is None else sky
        extinction = entry.extinction_mag if extinction is None else extinction
        if horizon is None and entry.horizon is not None:
            skyline = own.path.parent / entry.horizon
    assumed = []
    if sky is None:
        assumed.append(
            f"sky of {DARK_SKY_MAG:g} mag per square arcsec in the zenith without the Moon; give yours with --sky"
        )
    if extinction is None:
        assumed.append(f"air takes {EXTINCTION_MAG:g} mag per air mass, in every colour")
    line = None if skyline is None else _skyline(skyline)
    if line is None:
        assumed.append("a free horizon")
    elif line.widest_gap_deg > WIDE_DEG:
        assumed.append(
            f"straight lines over up to {line.widest_gap_deg:.0f} degrees between the directions of {line.source}"
        )
    site = replace(
        site,
        sky_mag=DARK_SKY_MAG if sky is None else sky,
        extinction_mag=EXTINCTION_MAG if extinction is None else extinction,
        skyline=line,
    )
    return NamedSite(site, zone, assumed)


def _skyline(path: Path) -> Skyline:
    from fourlight.sky.skyline import skyline_from_text

    return skyline_from_text(text_of(path, "a skyline", "name a CSV file of azimuth and altitude"), str(path))


def place_of(text: str) -> Place:
    """A target by name, or by right ascension and declination.

    Raises
    ------
    InputError
        It is neither; the nearest names are told.
    """
    from fourlight.pipeline.plate import place_from
    from fourlight.sky.objects import object_named
    from fourlight.stages.plan_night import Place

    if "," in text or ";" in text:
        ra, dec = place_from(text, "--target")
        return Place(f"{ra:.3f}, {dec:+.3f}", ra, dec)
    found = object_named(text)
    return Place(
        found.name if found.also is None else f"{found.name} ({found.also})", found.ra_deg, found.dec_deg
    )


def evening_of(site: Site, text: str | None, clock: Clock) -> tuple[Site, date]:
    """The evening of a date; without one, of the night that goes on or comes next. And the site with its clock.

    Raises
    ------
    InputError
        It is no date.
    """
    from fourlight.stages.plan_night import night_of

    now = datetime.now(UTC)
    try:
        day = now.date() if text is None else date.fromisoformat(text.strip())
    except ValueError:
        raise InputError(
            f"--date {text}: no date; write the day on which the night begins as year-month-day, such as 2031-08-14"
        ) from None
    offset = datetime.combine(day, time(12), clock.zone).utcoffset() or timedelta()
    there = replace(site, zone_h=offset / timedelta(hours=1))
    return there, night_of(there, now) if text is None else day
