"""``fourlight picture``: the picture of a finished stack made anew."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

__all__ = ["picture"]


def picture(
    out: Annotated[Path, typer.Argument(metavar="OUT", help="Folder of the results of a run.")],
    look: Annotated[
        str | None,
        typer.Option(
            metavar="NAME", help="How bold it is: plain, clear, rich or bold; as --set finish.look=NAME."
        ),
    ] = None,
    settings: Annotated[
        list[str] | None,
        typer.Option(
            "--set",
            metavar="finish.FIELD=VALUE",
            help="A setting of the picture in place of the one the run had; repeat it for more.",
        ),
    ] = None,
    since: Annotated[
        str | None,
        typer.Option(
            "--from",
            metavar="STEP",
            help="Make this step and all after it anew (gradient, sharpen, colour, luminance, denoise, stars or "
            "stretch). Else what is kept of steps whose settings have not changed is used.",
        ),
    ] = None,
) -> None:
    """Make the picture of a finished stack anew, step by step; the stack stays as it is."""
    from fourlight.cli.progress import TerminalProgress
    from fourlight.pipeline.closing import picture_lines
    from fourlight.pipeline.picturing import picture_on

    progress = TerminalProgress()
    given = [*(settings or ()), *([f"finish.look={look}"] if look is not None else ())]
    try:
        found = picture_on(out, given, since, progress)
        for heading, text in picture_lines(found):
            progress.line(heading, text)
        progress.line("look at", f"{out / 'picture.jpg'} and {out / 'report.html'}")
    finally:
        progress.close()
