"""``fourlight whatif``: what the lights of a finished run would have given under another sky, or fewer of them."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from fourlight.cli.plain import number, whole_number
from fourlight.errors import InputError

__all__ = ["whatif"]


def whatif(
    run: Annotated[Path, typer.Argument(metavar="OUT", help="Folder of the results of a run.")],
    out: Annotated[Path | None, typer.Option(metavar="OUT2", help="New folder for all that is made.")] = None,
    sky: Annotated[
        str | None,
        typer.Option(
            metavar="MAG|xN",
            help="A sky of so many V mag per square arcsec, or so many times as bright, as x2.",
        ),
    ] = None,
    moon: Annotated[
        str | None,
        typer.Option(
            metavar="LIT,DEG[,DEG]", help="A Moon: lit share (0 to 1), angle from the target, altitude."
        ),
    ] = None,
    subs: Annotated[
        int | None,
        typer.Option(
            parser=whole_number, metavar="N", help="So many lights, chosen evenly over time, not the best."
        ),
    ] = None,
    drop_channel: Annotated[
        str | None, typer.Option(metavar="NAME", help="Leave a channel out: R, G, B, G1 or G2.")
    ] = None,
    filter_name: Annotated[
        str | None, typer.Option("--filter", metavar="NAME", help="Refused, with the reason.")
    ] = None,
    was: Annotated[
        float | None,
        typer.Option(
            parser=number,
            metavar="MAG",
            help="The sky that the lights had, where no stars of theirs tell it.",
        ),
    ] = None,
    altitude: Annotated[
        float | None, typer.Option(parser=number, metavar="DEG", help="Altitude of the target.")
    ] = None,
    extinction: Annotated[
        float | None, typer.Option(parser=number, metavar="MAG", help="What air takes of V per air mass.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print whatif.json at the end.")] = False,
) -> None:
    """Tell what your own lights would have given under a brighter sky, with fewer subs or without a channel."""
    from fourlight.pipeline.whatif_wish import whatif_asked

    asked = whatif_asked(sky, moon, subs, drop_channel, was, altitude, extinction)
    if filter_name is not None:
        raise InputError(
            f"--filter {filter_name}: raw lights hold the sum over all wavelengths that reached them, and no "
            "count tells which of it another filter would have passed; see fourlight sub --filter and "
            "fourlight plan --filter for what it gives, fourlight compare for two filters in the same hours, "
            "fourlight lines for what these lights hold of lines"
        )
    asked.check()
    if out is None:
        raise InputError("no output folder named; give a new one with --out OUT2")
    from fourlight.cli.progress import TerminalProgress
    from fourlight.pipeline.outputs import plain_json
    from fourlight.pipeline.whatif import what_if
    from fourlight.report.whatif import lines

    progress = TerminalProgress()
    try:
        facts = what_if(run, out, asked, progress)
        for heading, text in lines(facts):
            progress.line(heading, text)
        progress.line("look at", f"{out / 'whatif.html'} and {out / 'whatif.png'}")
    finally:
        progress.close()
    if as_json:
        sys.stdout.write(plain_json(facts) + "\n")
