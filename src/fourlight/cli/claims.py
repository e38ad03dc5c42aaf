"""``fourlight claims``: what the lights of a finished stack say to claims that people argue about."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Annotated

import typer

from fourlight.errors import InputError

__all__ = ["claims"]


def claims(
    out: Annotated[Path | None, typer.Argument(metavar="OUT", help="Folder of the results of a run.")] = None,
    claim: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME", help="Tell of this claim alone; repeat it for more. All are tested."),
    ] = None,
    own: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="Claims of your own (TOML), tested beside those of the program; one of the same name takes its place.",
        ),
    ] = None,
    listed: Annotated[
        bool, typer.Option("--list", help="Say which claims there are, and test none.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print the findings as JSON at the end.")] = False,
) -> None:
    """Test claims on the lights of a finished stack: supported, contradicted, or cannot tell."""
    from fourlight.cli.named_files import claims_from
    from fourlight.stages.claim_file import chosen, shipped, with_own

    mine = claims_from(own) if own else ()
    if listed:
        every = with_own(shipped(), mine)
        some = chosen(every, claim) if claim else every
        if as_json:
            typer.echo(json.dumps([each.model_dump(mode="json") for each in some], indent=2))
        else:
            typer.echo("\n".join(f"{each.name}\n    {each.question}" for each in some))
        return
    if out is None:
        raise InputError("no results named; give the OUT of a finished run, or --list")
    from fourlight.cli.progress import TerminalProgress
    from fourlight.pipeline.closing import claims_lines
    from fourlight.pipeline.evidence import claims_on
    from fourlight.pipeline.outputs import plain_json

    progress = TerminalProgress()
    try:
        for name in sorted({each.name for each in mine} & {each.name for each in shipped()}):
            progress.line("to know", f"your claim {name!r} takes the place of the program's")
        found = claims_on(out, claim or (), mine, progress)
        for heading, text in claims_lines(found):
            progress.line(heading, text)
        progress.line("look at", f"{out / 'report.html'} and {out / 'claims.json'}")
    finally:
        progress.close()
    if as_json:
        sys.stdout.write(plain_json(found) + "\n")
