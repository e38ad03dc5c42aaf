"""``fourlight demo``: two simulated nights through the main job."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from fourlight.cli.run import execute

__all__ = ["demo"]


def demo(
    folder: Annotated[
        Path,
        typer.Argument(
            metavar="FOLDER",
            help="Folder for frames and results: new or empty, or that of an earlier demo, whose frames are "
            "used again.",
        ),
    ] = Path("demo"),
) -> None:
    """Simulate two nights on an invented nebula, run the main job on them, and say where to look."""
    from fourlight.cli.progress import TerminalProgress
    from fourlight.pipeline.demo import RECIPE, RESULTS, demo_nights

    progress = TerminalProgress()
    try:
        nights = demo_nights(folder, progress)
    finally:
        progress.close()
    results = folder / RESULTS
    execute([nights], results, RECIPE)
    sys.stderr.write(f"raw frames: {nights}\ntruth:      {nights / 'truth'}\nresults:    {results}\n")
