"""``fourlight compare``: two setups at the same hours of one night."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fourlight.cli.gear import Own, own_file
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
from fourlight.cli.plain import number, whole_number
from fourlight.cli.wishes import Area, Kind, Lines, Surface, light_of_setups
from fourlight.errors import InputError

if TYPE_CHECKING:
    from fourlight.stages.compare_whole import Asked

__all__ = ["compare"]

DRAWS, USUAL_DRAWS = (20, 5000), 400


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
    count = USUAL_DRAWS if draws is None else draws
    _check(hours, area, star, least_altitude, sun_below, count, out)
    from fourlight.cli.site import evening_of, place_of, site_of
    from fourlight.pipeline.setups import setup_named
    from fourlight.report.clock import clock_of
    from fourlight.report.comparing import compared_facts, compared_lines
    from fourlight.stages.compare_whole import Asked
    from fourlight.stages.compare_whole import compare as compared_by
    from fourlight.stages.plan_night import Goal

    setups = setup_named(setup_a), setup_named(setup_b)
    where = site_of(own_file(sites), site, sky=sky, extinction=extinction, horizon=horizon)
    light, said = light_of_setups(setups, kind, surface, line)
    needed = tuple(word.strip() for word in need.split(",")) if need is not None else ()
    clock = clock_of(zone or where.zone)
    there, evening = evening_of(where.site, date, clock)
    asked = Asked(
        there, evening, None if target is None else place_of(target),
        Goal(least_altitude, sun_below),
        setups, light, hours, area, star, needed=needed, draws=count,
    )  # fmt: skip
    found = compared_by(asked)
    assumed = [*where.assumed, *said, *_of_setups(asked), *_of_night(asked)]
    if out is not None:
        from fourlight.pipeline.comparing import draw_comparison

        draw_comparison(out, found, clock, assumed)
    tell(compared_facts(found, assumed), compared_lines(found, clock, assumed), as_json=as_json)


def _of_setups(asked: Asked) -> list[str]:
    """What was assumed of each."""
    return [
        f"{letter}: {each}"
        for letter, setup in zip("AB", asked.setups, strict=True)
        for each in setup.assumed
    ]


def _of_night(asked: Asked) -> list[str]:
    """What was assumed of the night and of the place of the target."""
    said = []
    if asked.place is None:
        said.append(
            "a target that passes through the zenith in the middle of the darkness; name yours with --target"
        )
    return [*said, *twilight_words(asked.goal.sun_below_deg)]


def _check(
    hours: float,
    area: float,
    star: float,
    least_altitude: float,
    sun_below: float,
    draws: int,
    out: Path | None,
) -> None:
    if not 0.1 <= hours <= 24:
        raise InputError(f"--hours {hours:g}: hours of the clock from 0.1 to 24 are needed")
    if not 1e-2 <= area <= 1e7:
        raise InputError(f"--area {area:g}: square arcsec from 0.01 to 1e7 are needed, such as 100")
    if not 5 <= star <= 28:
        raise InputError(f"--star {star:g}: V from 5 to 28 is needed, such as 20")
    check_night(least_altitude, sun_below)
    if not DRAWS[0] <= draws <= DRAWS[1]:
        raise InputError(f"--draws {draws}: {DRAWS[0]} to {DRAWS[1]} are needed")
    check_page(out)
