"""``fourlight solve``: where a stack or a frame is on the sky."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from fourlight.errors import InputError

__all__ = ["solve"]

LARGEST_SCALE = 3600.0


def solve(
    what: Annotated[
        Path, typer.Argument(metavar="OUT|FRAME", help="Folder of the results of a run, or one raw frame.")
    ],
    hint: Annotated[
        str | None,
        typer.Option(
            metavar="RA,DEC",
            help="A place near the middle, J2000: degrees (83.82,-5.39) or hours and degrees (5:35:17,-5:23:28). Else "
            "what the header says; else the whole sky.",
        ),
    ] = None,
    scale: Annotated[
        float | None,
        typer.Option(
            metavar="ARCSEC",
            help="Arcsec per pixel, to 10 %. Else from pixel size and focal length in the header.",
        ),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the solution as JSON at the end.")] = False,
) -> None:
    """Find where a picture is on the sky, offline; a stack gets coordinates in its headers, frames are only read."""
    place = None if hint is None else _place(hint)
    if scale is not None and not 0 < scale <= LARGEST_SCALE:
        raise InputError(
            f"--scale {scale:g}: arcsec per pixel are needed, above 0 and at most {LARGEST_SCALE:g}, such as 1.85"
        )
    from fourlight.cli.progress import TerminalProgress
    from fourlight.pipeline.outputs import plain_json
    from fourlight.pipeline.plate import Known, solve_frame
    from fourlight.pipeline.solving import solve_results
    from fourlight.report.skyplace import solution_lines

    known, progress = Known(place, scale), TerminalProgress()
    try:
        found: dict[str, Any] = (
            solve_results(what, known, progress) if what.is_dir() else solve_frame(what, known)
        )
        for name, said in solution_lines(found):
            progress.line(name.lower(), said)
        if what.is_dir():
            progress.line("look at", f"{what / 'report.html'} and {what / 'figures' / 'sky.png'}")
    finally:
        progress.close()
    if as_json:
        sys.stdout.write(plain_json(found) + "\n")


def _place(text: str) -> tuple[float, float]:
    """A place as it is written on the command line, degrees.

    >>> _place("83.82,-5.39")
    (83.82, -5.39)
    >>> [round(value, 3) for value in _place("5:35:17,-5:23:28")]
    [83.821, -5.391]
    """
    from fourlight.io.cards import Card
    from fourlight.io.header_values import angle

    parts = text.replace(";", ",").split(",")
    read = [angle(Card(part.strip(), "")) for part in parts]
    if len(read) == 2 and read[0] is not None and read[1] is not None:
        hours = read[0][1] and "d" not in read[0][2]
        ra, dec = read[0][0] * (15 if hours else 1), read[1][0]
        if 0 <= ra <= 360 and abs(dec) <= 90:
            return ra % 360, dec
    raise InputError(
        f"--hint {text}: no place on the sky; write right ascension and declination as degrees (83.82,-5.39) or as "
        "hours and degrees (5:35:17,-5:23:28)"
    )
