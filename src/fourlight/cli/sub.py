"""``fourlight sub``: how long subs should be, and how long a target takes."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from fourlight.cli.gear import Camera, ChipText, Filter, OpticsText, Own
from fourlight.cli.named_curves import AsJson, draw, picture_path, tell
from fourlight.cli.plain import number
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

__all__ = ["sub"]


def sub(
    sky: Annotated[
        float,
        typer.Option(
            parser=number, metavar="MAG", help="Sky at the target without the Moon, V mag per square arcsec."
        ),
    ],
    moon: Annotated[
        list[str] | None,
        typer.Option(
            metavar="LIT,DEG[,DEG]",
            help="A Moon: lit share (0 to 1), angle from the target, altitude; repeat it.",
        ),
    ] = None,
    camera: Camera = None,
    chip: ChipText = None,
    filter_name: Filter = None,
    optics: OpticsText = None,
    sites: Own = None,
    altitude: Annotated[
        float, typer.Option(parser=number, metavar="DEG", help="Altitude of the target.")
    ] = 60.0,
    extinction: Annotated[
        float | None, typer.Option(parser=number, metavar="MAG", help="What air takes of V per air mass.")
    ] = None,
    kind: Kind = None,
    surface: Surface = None,
    line: Lines = None,
    area: Area = 100.0,
    goal: GoalSnr = None,
    hours: Annotated[
        float | None, typer.Option(parser=number, metavar="HOURS", help="Hours of light in a clear night.")
    ] = None,
    clear: Clear = None,
    loss: Loss = 5.0,
    longest: Longest = None,
    keep_star: KeepStar = None,
    fwhm: Fwhm = 3.0,
    out: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Draw the curve behind it, into a .png or .svg file.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Tell how long subs must be for read noise not to matter, which stars are full then, how long a goal takes."""
    from fourlight.pipeline.plans_asked import GearAsked, LightAsked, SubAsked, SubsAsked, subs_by
    from fourlight.pipeline.rigs import own_file
    from fourlight.report.sub_words import sub_plan_facts, sub_plan_lines

    picture = None if out is None else picture_path(out)
    asked = SubsAsked(
        sky=sky, moon=tuple(moon or ()), altitude=altitude, extinction=extinction, hours=hours,
        gear=GearAsked(camera=camera, chip=chip, filter=filter_name, optics=optics),
        light=LightAsked(kind=kind, surface=surface, line=None if line is None else tuple(line)),
        subs=SubAsked(
            area=area, goal=goal, clear=clear, loss=loss, longest=longest, keep_star=keep_star, fwhm=fwhm
        ),
    )  # fmt: skip
    plan, assumed = subs_by(asked, own_file(sites))
    if picture is not None:
        from fourlight.report.figure_sub import sub_figure

        draw(picture, sub_figure(plan))
    tell(sub_plan_facts(plan, assumed), sub_plan_lines(plan, assumed), as_json=as_json)
