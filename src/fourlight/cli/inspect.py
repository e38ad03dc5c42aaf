"""``fourlight inspect``: what is there."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

__all__ = ["inspect"]


def inspect(
    nights: Annotated[
        list[Path],
        typer.Argument(
            metavar="NIGHTS", help="Files or folders of raw frames; folders are searched through."
        ),
    ],
    as_json: Annotated[
        bool, typer.Option("--json", help="Print one JSON document with every frame instead.")
    ] = False,
) -> None:
    """Show what is there: role, night, exposure, gain, temperature, filter, mosaic, problems."""
    from fourlight.cli.listing import show

    show(nights, as_json=as_json)
