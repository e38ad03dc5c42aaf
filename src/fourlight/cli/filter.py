"""``fourlight filter``: what filters pass, those that come along and a user's own."""

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
    draw,
    filter_named,
    picture_path,
    tell,
)
from fourlight.cli.plain import PlainCommand, PlainGroup
from fourlight.errors import InputError

__all__ = ["filter"]

filter = typer.Typer(  # noqa: A001  (a command has the name of its module)
    cls=PlainGroup, no_args_is_help=True, help="Tell what a filter passes, of lines above all."
)


@filter.command("list", cls=PlainCommand)
def listed(as_json: AsJson = False) -> None:
    """Say which filters come along, and their bands."""
    from fourlight.sensor.filters import FILTERS

    found = [
        {"name": name, "bands_nm": [[band.centre_nm, band.width_nm] for band in each.bands]}
        for name, each in FILTERS.items()
    ]
    rows = [["filter", "bands: centre and width, nm"]]
    for each in found:
        bands = (
            ", ".join(f"{centre:g} {width:g}" for centre, width in each["bands_nm"]) or "passes everything"
        )
        rows.append([str(each["name"]), bands])
    width = max(len(name) for name, _ in rows)
    tell(found, [f"{name.ljust(width)}  {bands}" for name, bands in rows], as_json=as_json)


@filter.command("show", cls=PlainCommand)
def show(
    name: Annotated[
        str | None,
        typer.Argument(
            metavar="NAME|CSV", help="A filter that comes along, or a file with the curve of your own."
        ),
    ] = None,
    band: Bands = None,
    f_ratio: FRatio = None,
    obstruction: Obstruction = None,
    index: Index = None,
    out: Picture = None,
    as_json: AsJson = False,
) -> None:
    """Say where a filter has its bands, and what it passes of emission lines, in straight or converging light."""
    from fourlight.report.responses import filter_facts, filter_lines

    if name is None and not band:
        raise InputError(
            "no filter named; name one of 'fourlight filter list', a CSV file, or give --band CENTRE,WIDTH"
        )
    picture = None if out is None else picture_path(out)
    chosen, beam = filter_named(name, band or (), index), beam_of(f_ratio, obstruction)
    facts = filter_facts(chosen, beam)
    if picture is not None:
        from fourlight.report.figure_response import filter_figure

        draw(picture, filter_figure(chosen, beam))
    tell(facts, filter_lines(facts), as_json=as_json)
