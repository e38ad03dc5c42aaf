"""``fourlight camera``: spectral response of cameras, those that come along and a user's own."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from fourlight.cli.named_curves import beam_of, camera_named, draw, filter_named, picture_path, tell
from fourlight.cli.plain import PlainCommand, PlainGroup, number

__all__ = ["camera"]

camera = typer.Typer(
    cls=PlainGroup, no_args_is_help=True, help="Tell how the colours of a camera respond to light."
)
AsJson = Annotated[bool, typer.Option("--json", help="Print one JSON document instead.")]


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
    band: Annotated[
        list[str] | None,
        typer.Option(metavar="CENTRE,WIDTH", help="A band of a filter of your own, nm; repeat it for more."),
    ] = None,
    f_ratio: Annotated[
        float | None,
        typer.Option(
            "--f-ratio",
            parser=number,
            metavar="NUMBER",
            help="Focal length over aperture of the light in the filter.",
        ),
    ] = None,
    obstruction: Annotated[
        float | None,
        typer.Option(
            parser=number,
            metavar="PART",
            help="Part of the diameter that is obstructed in the middle, 0 to 0.9.",
        ),
    ] = None,
    index: Annotated[
        float | None,
        typer.Option(
            parser=number,
            metavar="NUMBER",
            help="Effective refractive index of the filter; 1.8 unless given.",
        ),
    ] = None,
    error: Annotated[
        float | None,
        typer.Option(
            parser=number,
            metavar="PERCENT",
            help="Standard deviation of your own curves; 5 is assumed unless given.",
        ),
    ] = None,
    out: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Draw the curves too, into a .png or .svg file.")
    ] = None,
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
