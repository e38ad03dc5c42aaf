"""``fourlight channels``: what each channel of a finished stack contributed."""

from __future__ import annotations

import re
import sys
from pathlib import Path
from typing import Annotated

import typer

from fourlight.errors import InputError

__all__ = ["channels"]

LONGEST = 24
NAME = re.compile(rf"[^\W\d_][\w -]{{0,{LONGEST - 1}}}")
"""What a region may be called: short enough for figures."""


def channels(
    out: Annotated[Path, typer.Argument(metavar="OUT", help="Folder of the results of a run.")],
    region: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME=X0,Y0,X1,Y1",
            help="A rectangle of the stack to be told of too, in its pixels; repeat it for more.",
        ),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print channels.json at the end.")] = False,
) -> None:
    """Measure what R, G1, G2 and B of a finished stack each contributed, with intervals."""
    named = [_box(text) for text in region or ()]
    boxes = dict(named)
    if len(boxes) < len(named):
        names = [name for name, _ in named]
        twice = next(name for name in names if names.count(name) > 1)
        raise InputError(f"two regions have the name {twice}; give each its own")
    from fourlight.cli.progress import TerminalProgress
    from fourlight.pipeline.evidence import channels_on
    from fourlight.pipeline.outputs import plain_json

    progress = TerminalProgress()
    try:
        found = channels_on(out, boxes, progress)
        for note in found["notes"]:
            progress.line("to know", note)
        progress.line("look at", f"{out / 'report.html'} and {out / 'channels.json'}")
    finally:
        progress.close()
    if as_json:
        sys.stdout.write(plain_json(found) + "\n")


def _box(text: str) -> tuple[str, tuple[int, int, int, int]]:
    """A region as it is written on the command line.

    >>> _box("core=10,20,110,120")
    ('core', (10, 20, 110, 120))
    """
    found = re.fullmatch(r"\s*([^=]*?)\s*=\s*(-?\d+)\s*,\s*(-?\d+)\s*,\s*(-?\d+)\s*,\s*(-?\d+)\s*", text)
    if found is None:
        raise InputError(
            f"--region {text}: write it as NAME=X0,Y0,X1,Y1 with whole numbers, such as core=200,150,400,350"
        )
    if not NAME.fullmatch(found[1]):
        raise InputError(
            f"--region {text}: a name begins with a letter and has letters, digits, spaces, - and _, {LONGEST} at most"
        )
    x0, y0, x1, y1 = (int(found[k]) for k in range(2, 6))
    return found[1], (x0, y0, x1, y1)
