"""Room on the disk for a run, reckoned before anything is written."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

import numpy as np

from fourlight.errors import FrameError, OutputError
from fourlight.frames import RawFrame, Role
from fourlight.io.pixels import decoded_bytes
from fourlight.io.room import free_room
from fourlight.pipeline.folder import OutputFolder
from fourlight.pipeline.integration import RESULT_BYTES, WAITING
from fourlight.pipeline.job import Job
from fourlight.pipeline.memory import pixels_of
from fourlight.recipe import Recipe
from fourlight.stages.geometry import HALO, LEAST_SIDE, TILE_BYTES
from fourlight.stages.grid import Grid
from fourlight.stages.groups import Group, grouped
from fourlight.stages.least_squares import LeastSquares
from fourlight.stages.stack_layers import OUTPUT_PLANES

__all__ = ["begun", "check_space", "needed_bytes", "picture_bytes"]

PRODUCT_BYTES = 4 * (3 + 4) * len(OUTPUT_PLANES) + 4
"""Per pixel: value, variance and samples of the stack, value and variance of two halves, and rejected samples.
Pictures, 13 bytes, take the place of channels that are gone by the time that they are written."""
CANVAS_BYTES, STARLESS_BYTES = 4 * 31, 4 * 9
"""Per pixel: channels on their way to the picture, at most at a time, and how many more where stars are taken off."""
SHELF_BYTES, SHELF_STARLESS_BYTES = 4 * 13, 4 * 9
"""Per pixel: channels that are kept for the next picture of the same stack, see `fourlight.pipeline.picturing`."""
READ_BYTES = 4 * 16
"""Per pixel: layers of a finished stack that a picture and the report are made from."""
CELL_BYTES = 4 * 2 * 9 * 13
"""Per pixel of a tile with its halo, where sums are kept: four planes, two halves, nine cells at most, packed."""
MEASURED_BYTES, OFF_MEMORY_BYTES = 400_000, 300_000
"""Per light: its stars, sky map and equations of offsets, and the first two once more while the run is at work."""
OTHER_BYTES = 2_000_000
"""Headers, tables and the report."""
FAILED = 1


def needed_bytes(
    lights: Sequence[RawFrame], others: Sequence[RawFrame], folder: OutputFolder, recipe: Recipe
) -> int:
    """Bytes that a run will add to OUT at most; what an earlier run left of its work is used again.

    Parameters
    ----------
    lights, others : sequence of RawFrame
        Lights and calibration frames.
    folder : OutputFolder
    recipe : Recipe
        Darks further apart than its tolerance make masters of their own; its grid has more or fewer pixels.
    """
    stacked = int(max(map(pixels_of, lights)) * Grid.named(recipe.integrate.grid).zoom ** 2)
    masters = _masters(lights, grouped(others, recipe.calibrate.temperature_tolerance_c))
    decoded = sum(_decoded(frame, folder.decoded) for frame in (*lights, *others))
    again = min(_size(folder.layers), RESULT_BYTES * stacked) + min(_size(folder.masters), masters)
    canvas = CANVAS_BYTES + STARLESS_BYTES * _starless(recipe)
    sums = _kept_bytes(len(lights)) if recipe.run.keep_sums else 0
    made = (
        int((RESULT_BYTES + PRODUCT_BYTES + canvas + sums) * stacked)
        + masters
        + (MEASURED_BYTES + OFF_MEMORY_BYTES) * len(lights)
        + OTHER_BYTES
    )
    return made + decoded - again


def _starless(recipe: Recipe) -> bool:
    """Whether stars are taken off the picture."""
    return recipe.finish.stars.light < 1


def picture_bytes(recipe: Recipe, pixels: int, shelf: Path) -> int:
    """Bytes that a picture of a finished stack of so many pixels adds to OUT at most; ``shelf`` is what is kept."""
    starless = _starless(recipe)
    kept = pixels * (SHELF_BYTES + SHELF_STARLESS_BYTES * starless)
    made = pixels * (CANVAS_BYTES + STARLESS_BYTES * starless + READ_BYTES)
    return made + kept - min(_size(shelf), kept) + OTHER_BYTES


def _masters(lights: Sequence[RawFrame], groups: Sequence[Group]) -> int:
    """Of each group its master, of flats their response too; what samples are multiplied by; a dark scaled.

    The last two for every size of lights, and the first of them for each of its flats.
    """
    total = sum(pixels_of(group.frames[0]) * (2 if group.role is Role.FLAT else 1) for group in groups)
    for size in {pixels_of(frame) for frame in lights}:
        flats = sum(group.role is Role.FLAT and pixels_of(group.frames[0]) == size for group in groups)
        total += size * (max(flats, 1) + 1)
    return 4 * total


def _kept_bytes(lights: int) -> float:
    """Per pixel of the stack: tiles overlap, the more the smaller they are."""
    batches = LeastSquares.batches(lights)
    each = LeastSquares.pixel_bytes(len(batches[0]), len(batches), 3) + WAITING * RESULT_BYTES
    side = max(np.sqrt(TILE_BYTES / each) - 2 * HALO, LEAST_SIDE)
    return float(CELL_BYTES * (1 + 2 * HALO / side) ** 2)


def _decoded(frame: RawFrame, folder: Path) -> int:
    with suppress(FrameError, OSError):  # damaged or gone since: whoever reads it says so
        return decoded_bytes(frame, folder)
    return 0


def _size(folder: Path) -> int:
    return sum(_lengths(folder.iterdir())) if folder.is_dir() else 0


def _lengths(paths: Iterable[Path]) -> list[int]:
    return [path.stat().st_size for path in paths if path.is_file()]


def check_space(job: Job, lights: Sequence[RawFrame], others: Sequence[RawFrame]) -> None:
    """Refuse a run that the disk of OUT has no room for; say it where the room is just enough.

    Raises
    ------
    OutputError
        Less is free than is needed.
    """
    needed = needed_bytes(lights, others, job.folder, job.recipe)
    close = free_room(job.folder.root, needed, "work files and results")
    if close:
        job.progress.begin("room", 1)
        job.progress.end(f"the disk of {job.folder.root} is nearly full: {close}")


@contextmanager
def begun() -> Iterator[None]:
    """From here on a disk that fills up or goes away is no bad input: the run has failed (exit code 1)."""
    try:
        yield
    except OutputError as error:
        error.exit_code = FAILED
        raise
