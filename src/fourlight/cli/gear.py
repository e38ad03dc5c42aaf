"""Options for camera, filter and optics."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

__all__ = ["Camera", "ChipText", "Filter", "OpticsText", "Own"]

Camera = Annotated[
    str | None,
    typer.Option(
        metavar="NAME|CSV", help="Camera: one of your file, one that comes along, or a file with its curves."
    ),
]
ChipText = Annotated[
    str | None,
    typer.Option(
        "--chip", metavar="WORDS",
        help="Its sensor, such as 3.76um,6248x4176,read=1.5 (docs: planning.md); the rest is assumed.",
    ),
]  # fmt: skip
Filter = Annotated[
    str | None,
    typer.Option("--filter", metavar="NAME|CSV", help="Filter in front of it; none unless given."),
]
OpticsText = Annotated[
    str | None,
    typer.Option(
        "--optics",
        metavar="WORDS",
        help="400mm,f/5 (and obstruction=0.3, transmission=0.9), or a name of your file.",
    ),
]
Own = Annotated[
    Path | None,
    typer.Option("--sites", metavar="FILE", help="TOML file with your sites, optics and cameras."),
]
