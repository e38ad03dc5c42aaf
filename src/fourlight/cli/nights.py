"""Options for the night and the site of commands that look ahead."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from fourlight.cli.plain import number
from fourlight.errors import InputError

__all__ = [
    "Date",
    "Extinction",
    "Horizon",
    "LeastAltitude",
    "SiteText",
    "Sky",
    "SunBelow",
    "Zone",
    "check_page",
]

SUFFIXES = (".png", ".svg", ".html")
"""Of pages and charts of plans."""

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


def check_page(out: Path | None) -> None:
    """Refuse names that say no kind of picture or page."""
    if out is not None and out.suffix.lower() not in SUFFIXES:
        raise InputError(f"{out}: a name that ends in .png, .svg or .html is needed")
