"""Options for what is to be photographed and reached."""

from __future__ import annotations

from typing import Annotated

import typer

from fourlight.cli.plain import number

__all__ = ["Area", "Clear", "Fwhm", "GoalSnr", "KeepStar", "Kind", "Lines", "Longest", "Loss", "Surface"]

Kind = Annotated[
    str | None,
    typer.Option(
        metavar="KIND", help="Kind of target, whose usual brightness counts, such as faint-nebula or galaxy."
    ),
]
Surface = Annotated[
    str | None,
    typer.Option(
        metavar="MAG[,KELVIN]", help="Brightness of its continuum, V mag per square arcsec, and its colour."
    ),
]
Lines = Annotated[
    list[str] | None,
    typer.Option(
        "--line", metavar="NAME=RAYLEIGH", help="A line of it: halpha, oiii or sii; repeat it for more."
    ),
]
Area = Annotated[
    float, typer.Option(parser=number, metavar="ARCSEC2", help="Patch whose signal over noise is told.")
]
GoalSnr = Annotated[
    float | None,
    typer.Option("--goal", parser=number, metavar="SNR", help="Signal over noise to be reached."),
]
Clear = Annotated[
    float | None,
    typer.Option(parser=number, metavar="PERCENT", help="How many of a hundred nights are clear."),
]
Loss = Annotated[
    float, typer.Option(parser=number, metavar="PERCENT", help="By how much read noise may raise the noise.")
]
Longest = Annotated[
    float | None,
    typer.Option(parser=number, metavar="SECONDS", help="Longest sub that mount and guiding allow."),
]
KeepStar = Annotated[
    float | None,
    typer.Option("--keep-star", parser=number, metavar="MAG", help="V of the brightest star not to be full."),
]
Fwhm = Annotated[float, typer.Option("--fwhm", parser=number, metavar="ARCSEC", help="Width of star images.")]
