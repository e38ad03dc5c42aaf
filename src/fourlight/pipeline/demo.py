"""The demo: two simulated nights on an invented nebula, and the recipe that they are run by."""

from __future__ import annotations

from pathlib import Path

from fourlight.engine import Progress
from fourlight.errors import OutputError
from fourlight.recipe import Recipe
from fourlight.recipe_sky import Sky

__all__ = ["DEMO", "RECIPE", "RESULTS", "demo_nights"]

DEMO = Path("demo")
"""Folder of frames and results, unless another one is named."""
NIGHTS, RESULTS = "nights", "results"
RECIPE = Recipe(sky=Sky(solve="off"))  # the sky of the demo is invented: no catalogue knows its stars


def demo_nights(folder: Path, progress: Progress) -> Path:
    """Folder of the raw frames of the demo, which are simulated where they are not there yet.

    Raises
    ------
    OutputError
        The folder holds anything but an earlier demo, or cannot be written to.
    """
    from fourlight.simulate.render import simulate
    from fourlight.simulate.scene import packaged

    _check_free(folder)
    nights = folder / NIGHTS
    last = 0

    def told(_what: str, done: int, total: int) -> None:
        nonlocal last
        if done == 0:
            progress.begin("simulate", total)
        progress.step(done - last)
        last = done

    if simulate(packaged("demo"), nights, told):
        progress.end(f"{last} raw frames with known truth made in {nights}")
    else:
        progress.begin("simulate", 1)
        progress.end(f"the raw frames in {nights} are of this demo and version; used again")
    return nights


def _check_free(folder: Path) -> None:
    """Refuse a folder that holds anything but an earlier demo."""
    try:
        foreign = sorted({entry.name for entry in folder.iterdir()} - {NIGHTS, RESULTS})
    except FileNotFoundError:
        return
    except OSError as error:
        raise OutputError(
            f"{folder}: cannot be used ({error.strerror}); name a new or empty folder"
        ) from None
    if foreign:
        raise OutputError(f"{folder}: holds {foreign[0]}; name a new or empty folder for the demo")
