"""``fourlight camera``: spectral response of cameras, and a profile of a user's own from its frames."""

from __future__ import annotations

from pathlib import Path
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
from fourlight.errors import InputError

__all__ = ["camera"]

camera = typer.Typer(
    cls=PlainGroup,
    no_args_is_help=True,
    help="Tell how the colours of a camera respond to light, and measure a camera.",
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


@camera.command("measure", cls=PlainCommand)
def measure(
    flats: Annotated[
        Path,
        typer.Argument(
            metavar="FLATS", help="Folder of flats: pairs or more of each exposure, one or several."
        ),
    ],
    bias: Annotated[Path, typer.Argument(metavar="BIAS", help="Folder of bias frames, taken alike.")],
    darks: Annotated[
        Path | None,
        typer.Argument(metavar="DARKS", help="Folder of darks, of several temperatures where there are."),
    ] = None,
    mosaic: Annotated[
        str | None,
        typer.Option(
            metavar="PATTERN", help="Mosaic in array order, such as RGGB; that of the headers unless given."
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            metavar="FOLDER", help="Folder for the profile (camera.toml), map of defects and figures."
        ),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Measure gain, noise, saturation, linearity, nonuniformity, dark current and defects of a camera."""
    from fourlight.cli.progress import TerminalProgress
    from fourlight.core.cfa import PATTERNS
    from fourlight.pipeline.camera import measured_camera
    from fourlight.pipeline.camera_files import PROFILE, camera_folder, write_camera
    from fourlight.report.camera import measured_facts, measured_lines

    if mosaic is not None and mosaic.upper() not in PATTERNS:
        raise InputError(f"--mosaic {mosaic}: one of {', '.join(PATTERNS)} is needed")
    progress = TerminalProgress()
    with camera_folder(out, [path for path in (flats, bias, darks) if path is not None]):
        try:
            found = measured_camera(flats, bias, darks, mosaic.upper() if mosaic else None, progress)
            facts = measured_facts(found)
            if out is not None:
                write_camera(out, found, facts)
                progress.line("profile", f"{out / PROFILE}, with figures and the map of defects beside it")
        finally:
            progress.close()
    tell(facts, measured_lines(facts), as_json=as_json)
