"""``fourlight lines``: the emission lines in a finished stack, told apart."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from fourlight.cli.named_curves import FRatio, Index, Obstruction, beam_of, camera_named, filter_named
from fourlight.cli.plain import number
from fourlight.errors import InputError

__all__ = ["lines"]


def lines(
    out: Annotated[Path, typer.Argument(metavar="OUT", help="Folder of the results of a run.")],
    camera: Annotated[
        str,
        typer.Option(metavar="NAME|CSV", help="A camera that comes along, or a file with your own curves."),
    ],
    filter_name: Annotated[
        str, typer.Option("--filter", metavar="NAME|CSV", help="The filter in front of it, with its lines.")
    ],
    broadband: Annotated[
        Path | None,
        typer.Option(
            metavar="OUT2",
            help="Results of another run of the same field by the same camera: without a narrow filter they tell "
            "continuum, through one of their own other lines.",
        ),
    ] = None,
    broadband_filter: Annotated[
        str | None,
        typer.Option(
            metavar="NAME|CSV",
            help="The filter of those; unless given, that of their headers if it is known, else uv-ir-cut.",
        ),
    ] = None,
    error: Annotated[
        float | None,
        typer.Option(
            parser=number, metavar="PERCENT", help="Standard deviation of your own curves; 5 unless given."
        ),
    ] = None,
    f_ratio: FRatio = None,
    obstruction: Obstruction = None,
    index: Index = None,
    nii: Annotated[
        float | None,
        typer.Option(
            parser=number,
            metavar="RATIO",
            help="Photons of [NII] 658.3 per photon of Hα; 0.3 unless given.",
        ),
    ] = None,
    reddening: Annotated[
        float | None,
        typer.Option(
            parser=number,
            metavar="MAG",
            help="E(B-V) of dust in front, which weakens Hβ; none, known to 0.5, unless given.",
        ),
    ] = None,
    transmission: Annotated[
        float | None,
        typer.Option(
            parser=number,
            metavar="PART",
            help="Share of light that passes air and optics, 0 to 1: lines are told in rayleighs.",
        ),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print lines.json at the end.")] = False,
) -> None:
    """Tell Hα, [OIII] and what else camera and filter allow apart, with variances, leaks and pictures."""
    from fourlight.cli.progress import TerminalProgress
    from fourlight.pipeline.line_request import Asked
    from fourlight.pipeline.lines import lines_on
    from fourlight.pipeline.outputs import plain_json
    from fourlight.sensor.mixing import Ratios

    if broadband_filter is not None and broadband is None:
        raise InputError(f"--broadband-filter {broadband_filter} goes with --broadband OUT2; give that too")
    if transmission is not None and not 0 < transmission <= 1:
        raise InputError(f"--transmission {transmission:g}: a share above 0 and at most 1 is needed")
    given = {"nii": nii, "reddening_mag": reddening}
    ratios = Ratios(**{name: value for name, value in given.items() if value is not None})
    asked = Asked(
        camera_named(camera, error),
        filter_named(filter_name, (), index),
        beam_of(f_ratio, obstruction),
        ratios,
        broadband,
        filter_named(broadband_filter, (), None) if broadband_filter is not None else None,
        transmission,
    )
    progress = TerminalProgress()
    try:
        found = lines_on(out, asked, progress)
        for note in found["notes"][1:]:  # the first ends the stage
            progress.line("to know", note)
        progress.line("look at", f"{out / 'report.html'} and {out / 'lines.fits'}")
    finally:
        progress.close()
    if as_json:
        sys.stdout.write(plain_json(found) + "\n")
