"""``fourlight camera``: spectral response of cameras, those that come along and a user's own."""

from __future__ import annotations

from typing import Annotated

import typer

from fourlight.cli.named_curves import (
    AsJson,
    Bands,
    FRatio,
    Index,
    Obstruction,
    Picture,
    beam_of,
    camera_named,
    draw,
    filter_named,
    picture_path,
    tell,
)
from fourlight.cli.plain import PlainCommand, PlainGroup, number

__all__ = ["camera"]

camera = typer.Typer(
    cls=PlainGroup, no_args_is_help=True, help="Tell how the colours of a camera respond to light."
)


@camera.command("list", cls=PlainCommand)
def listed(as_json: AsJson = False) -> None:
    """Say which cameras come along."""
    from fourlight.sensor.sensors import names, sensor

    found = [{"name": name, "what": sensor(name).source} for name in names()]
    width = max(len(each["name"]) for each in found)
    tell(found, [f"{each['name'].ljust(width)}  {each['what']}" for each in found], as_json=as_json)


@camera.command("show", cls=PlainCommand)
def show(
    name: Annotated[
        str,
        typer.Argument(metavar="NAME|CSV", help="A camera that comes along, or a file with your own curves."),
    ],
    filter_name: Annotated[
        str | None,
        typer.Option("--filter", metavar="NAME|CSV", help="A filter in front of it; none unless given."),
    ] = None,
    band: Bands = None,
    f_ratio: FRatio = None,
    obstruction: Obstruction = None,
    index: Index = None,
    error: Annotated[
        float | None,
        typer.Option(
            parser=number,
            metavar="PERCENT",
            help="Standard deviation of your own curves; 5 is assumed unless given.",
        ),
    ] = None,
    out: Picture = None,
    as_json: AsJson = False,
) -> None:
    """Say where the colours of a camera respond, and how well to emission lines, through a filter if one is named."""
    from fourlight.report.responses import camera_facts, camera_lines
    from fourlight.sensor.lightpath import LightPath

    picture = None if out is None else picture_path(out)
    path = LightPath(
        camera_named(name, error), filter_named(filter_name, band or (), index), beam_of(f_ratio, obstruction)
    )
    facts = camera_facts(path)
    if picture is not None:
        from fourlight.report.figure_response import camera_figure

        draw(picture, camera_figure(path))
    tell(facts, camera_lines(facts), as_json=as_json)
