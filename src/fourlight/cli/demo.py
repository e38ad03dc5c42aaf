"""``fourlight demo``: two simulated nights through the main job."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from fourlight.cli.run import execute
from fourlight.errors import OutputError

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
    from fourlight.recipe import Recipe
    from fourlight.recipe_sky import Sky
    from fourlight.simulate.render import simulate
    from fourlight.simulate.scene import packaged

    nights = folder / "nights"
    _check_free(folder)
    progress = TerminalProgress()
    last = 0

    def told(_what: str, done: int, total: int) -> None:
        nonlocal last
        if done == 0:
            progress.begin("simulate", total)
        progress.step(done - last)
        last = done

    try:
        if simulate(packaged("demo"), nights, told):
            progress.end(f"{last} raw frames with known truth made in {nights}")
        else:
            progress.line("simulate", f"the raw frames in {nights} are of this demo and version; used again")
    finally:
        progress.close()
    # the sky of the demo is invented: no catalogue knows its stars
    execute([nights], folder / "results", Recipe(sky=Sky(solve="off")))
    sys.stderr.write(
        f"raw frames: {nights}\ntruth:      {nights / 'truth'}\nresults:    {folder / 'results'}\n"
    )


def _check_free(folder: Path) -> None:
    """Refuse a folder that holds anything but an earlier demo."""
    try:
        foreign = sorted({entry.name for entry in folder.iterdir()} - {"nights", "results"})
    except FileNotFoundError:
        return
    except OSError as error:
        raise OutputError(
            f"{folder}: cannot be used ({error.strerror}); name a new or empty folder"
        ) from None
    if foreign:
        raise OutputError(f"{folder}: holds {foreign[0]}; name a new or empty folder for the demo")
