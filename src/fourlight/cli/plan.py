"""``fourlight plan``: a night at a site, before it comes."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from fourlight.cli.gear import Camera, ChipText, Filter, OpticsText, Own, own_file, rig_of
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
    check_night,
    check_page,
    twilight_words,
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
    light_of,
    wish_of,
)
from fourlight.errors import InputError

__all__ = ["plan"]

MOST_NIGHTS = 400


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
    nights = ahead or 0
    _check(least_altitude, sun_below, nights, out)
    from fourlight.cli.site import evening_of, place_of, site_of
    from fourlight.report.clock import clock_of
    from fourlight.report.planning import planned_facts, planned_lines
    from fourlight.stages.plan_night import Goal
    from fourlight.stages.plan_whole import Wanted, plan_night

    own = own_file(sites)
    where = site_of(own, site, sky=sky, extinction=extinction, horizon=horizon)
    clock = clock_of(zone or where.zone)
    place = None if target is None else place_of(target)
    gear = rig_of(own, camera, chip, filter_name, optics)
    light, said = light_of(gear.rig, kind, surface, line)
    told = gear.named or any(word is not None for word in (kind, surface, goal)) or bool(line)
    wish = wish_of(
        light, area=area, loss=loss, fwhm=fwhm, keep_star=keep_star, longest=longest, goal=goal, clear=clear
    )
    there, evening = evening_of(where.site, date, clock)
    wanted = Wanted(there, evening, place, Goal(least_altitude, sun_below), gear.rig, told, wish, nights)
    planned = plan_night(wanted)
    assumed = [*where.assumed, *(gear.assumed if told or place is None else gear.assumed[:1])]
    assumed += said if told and place is not None else []
    assumed += twilight_words(sun_below)
    if out is not None:
        from fourlight.pipeline.planning import draw_plan

        draw_plan(out, planned, clock, assumed)
    tell(planned_facts(planned, assumed), planned_lines(planned, clock, assumed), as_json=as_json)


def _check(least_altitude: float, sun_below: float, ahead: int, out: Path | None) -> None:
    check_night(least_altitude, sun_below)
    if ahead > MOST_NIGHTS:
        raise InputError(f"--ahead {ahead}: at most {MOST_NIGHTS} nights are needed for a year and more")
    check_page(out)
