"""Which night at which site is meant, as commands that look ahead take it, and what of that cannot be."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from fourlight.cli.plain import number
from fourlight.errors import InputError

__all__ = ["Date", "Extinction", "Horizon", "LeastAltitude", "SiteText", "Sky", "SunBelow", "Zone", "check_night",
           "check_page", "twilight_words"]  # fmt: skip

SUFFIXES = (".png", ".svg", ".html")
"""Of pages and charts of plans."""
FULL_DARKNESS_DEG = 18.0

SiteText = Annotated[
    str,
    typer.Option(
        "--site",
        metavar="NAME|LAT,LON[,M]",
        help="Your site: a name in your file, or north, east and height.",
    ),
]
Date = Annotated[
    str | None,
    typer.Option(metavar="YYYY-MM-DD", help="Day on which the night begins; tonight unless given."),
]
Sky = Annotated[
    float | None,
    typer.Option(parser=number, metavar="MAG", help="Moonless sky in the zenith, V mag per square arcsec."),
]
Extinction = Annotated[
    float | None, typer.Option(parser=number, metavar="MAG", help="What air takes of V per air mass.")
]
Horizon = Annotated[
    Path | None, typer.Option(metavar="CSV", help="Skyline: rows of azimuth and altitude, degrees.")
]
LeastAltitude = Annotated[
    float, typer.Option(parser=number, metavar="DEG", help="Altitude from which the target counts as up.")
]
SunBelow = Annotated[
    float, typer.Option(parser=number, metavar="DEG", help="How far the Sun must be down for darkness.")
]
Zone = Annotated[
    str | None,
    typer.Option(metavar="+HOURS|NAME", help="Zone of the times that are told; UTC unless given."),
]


def check_night(least_altitude: float, sun_below: float) -> None:
    """Refuse altitudes and darkness that no night has."""
    if not 0 <= least_altitude <= 85:
        raise InputError(f"--least-altitude {least_altitude:g}: degrees from 0 to 85 are needed")
    if not 6 <= sun_below <= FULL_DARKNESS_DEG:
        raise InputError(
            f"--sun-below {sun_below:g}: degrees from 6 (bright twilight) to 18 (full darkness) are needed"
        )


def check_page(out: Path | None) -> None:
    """Refuse names that say no kind of picture or page."""
    if out is not None and out.suffix.lower() not in SUFFIXES:
        raise InputError(f"{out}: a name that ends in .png, .svg or .html is needed")


def twilight_words(sun_below: float) -> list[str]:
    """What is assumed where twilight counts as darkness."""
    if sun_below >= FULL_DARKNESS_DEG:
        return []
    return ["twilight adds no light to the sky, though the Sun is less than 18 degrees down"]
