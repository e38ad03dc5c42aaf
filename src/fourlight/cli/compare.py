"""``fourlight compare``: two setups at the same hours of one night."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from fourlight.cli.gear import Own
from fourlight.cli.named_curves import AsJson, tell
from fourlight.cli.nights import (
    Date,
    Extinction,
    Horizon,
    LeastAltitude,
    SiteText,
    Sky,
    SunBelow,
    Zone,
    check_page,
)
from fourlight.cli.plain import number, whole_number
from fourlight.cli.wishes import Area, Kind, Lines, Surface

__all__ = ["compare"]


def compare(
    setup_a: Annotated[
        str, typer.Argument(metavar="SETUP_A", help="A setup: one that comes along, or a TOML file.")
    ],
    setup_b: Annotated[str, typer.Argument(metavar="SETUP_B", help="The other one.")],
    hours: Annotated[
        float, typer.Option(parser=number, metavar="HOURS", help="Hours of the clock that both have.")
    ],
    site: SiteText,
    date: Date = None,
    target: Annotated[
        str | None,
        typer.Option(
            metavar="NAME|RA,DEC",
            help="What to photograph; without it, a place that passes through the zenith.",
        ),
    ] = None,
    kind: Kind = None,
    surface: Surface = None,
    line: Lines = None,
    area: Area = 100.0,
    need: Annotated[
        str | None,
        typer.Option(
            metavar="KINDS", help="Light that is needed, such as halpha,oiii; all of it unless given."
        ),
    ] = None,
    star: Annotated[
        float, typer.Option(parser=number, metavar="MAG", help="V of the faint star that is told too.")
    ] = 20.0,
    sites: Own = None,
    sky: Sky = None,
    extinction: Extinction = None,
    horizon: Horizon = None,
    least_altitude: LeastAltitude = 30.0,
    sun_below: SunBelow = 18.0,
    zone: Zone = None,
    draws: Annotated[
        int | None,
        typer.Option(
            parser=whole_number, metavar="COUNT", help="Draws over the assumptions; 400 unless given."
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="Draw it: chart and simulated pictures as .png or .svg, or all of it as one .html page.",
        ),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Compare two setups by the clock: what each reaches in the same hours, and when the night ends early; offline."""
    check_page(out)
    from fourlight.pipeline.plans_asked import CompareAsked, LightAsked, NightAsked, compared_by
    from fourlight.pipeline.rigs import own_file
    from fourlight.pipeline.setups import setup_named
    from fourlight.report.comparing import compared_facts, compared_lines

    given = {} if draws is None else {"draws": draws}
    asked = CompareAsked(
        setup_a=setup_a, setup_b=setup_b, site=site, hours=hours, date=date, target=target, area=area, need=need,
        star=star, **given,
        night=NightAsked(
            sky=sky, extinction=extinction, least_altitude=least_altitude, sun_below=sun_below, zone=zone
        ),
        light=LightAsked(kind=kind, surface=surface, line=None if line is None else tuple(line)),
    )  # fmt: skip
    setups = setup_named(setup_a), setup_named(setup_b)
    found, clock, assumed = compared_by(asked, setups, own_file(sites), horizon)
    if out is not None:
        from fourlight.pipeline.comparing import draw_comparison

        draw_comparison(out, found, clock, assumed)
    tell(compared_facts(found, assumed), compared_lines(found, clock, assumed), as_json=as_json)
