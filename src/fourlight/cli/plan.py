"""``fourlight plan``: a night at a site, before it comes."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from fourlight.cli.gear import Camera, ChipText, Filter, OpticsText, Own
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
from fourlight.cli.plain import whole_number
from fourlight.cli.wishes import (
    Area,
    Clear,
    Fwhm,
    GoalSnr,
    KeepStar,
    Kind,
    Lines,
    Longest,
    Loss,
    Surface,
)

__all__ = ["plan"]


def plan(
    site: SiteText,
    target: Annotated[
        str | None,
        typer.Option(
            metavar="NAME|RA,DEC",
            help="What to photograph; without it, what suits field and night is listed.",
        ),
    ] = None,
    date: Date = None,
    sites: Own = None,
    sky: Sky = None,
    extinction: Extinction = None,
    horizon: Horizon = None,
    least_altitude: LeastAltitude = 30.0,
    sun_below: SunBelow = 18.0,
    zone: Zone = None,
    camera: Camera = None,
    chip: ChipText = None,
    filter_name: Filter = None,
    optics: OpticsText = None,
    kind: Kind = None,
    surface: Surface = None,
    line: Lines = None,
    area: Area = 100.0,
    goal: GoalSnr = None,
    clear: Clear = None,
    loss: Loss = 5.0,
    longest: Longest = None,
    keep_star: KeepStar = None,
    fwhm: Fwhm = 3.0,
    ahead: Annotated[
        int | None,
        typer.Option(
            parser=whole_number, metavar="NIGHTS", help="Look so many nights ahead too, 365 for a year."
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", help="Draw it: a chart as .png or .svg, or all of it as one .html page."
        ),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Tell when it is dark, where target and Moon stand, how bright the sky is, how long subs should be; offline."""
    check_page(out)
    from fourlight.pipeline.plans_asked import (
        GearAsked,
        LightAsked,
        NightAsked,
        PlanAsked,
        SubAsked,
        planned_by,
    )
    from fourlight.pipeline.rigs import own_file
    from fourlight.report.planning import planned_facts, planned_lines

    asked = PlanAsked(
        site=site, target=target, date=date, ahead=ahead or 0,
        night=NightAsked(
            sky=sky, extinction=extinction, least_altitude=least_altitude, sun_below=sun_below, zone=zone
        ),
        gear=GearAsked(camera=camera, chip=chip, filter=filter_name, optics=optics),
        light=LightAsked(kind=kind, surface=surface, line=None if line is None else tuple(line)),
        subs=SubAsked(
            area=area, goal=goal, clear=clear, loss=loss, longest=longest, keep_star=keep_star, fwhm=fwhm
        ),
    )  # fmt: skip
    planned, clock, assumed = planned_by(asked, own_file(sites), horizon)
    if out is not None:
        from fourlight.pipeline.planning import draw_plan

        draw_plan(out, planned, clock, assumed)
    tell(planned_facts(planned, assumed), planned_lines(planned, clock, assumed), as_json=as_json)
