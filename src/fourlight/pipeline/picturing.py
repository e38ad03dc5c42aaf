"""The picture of a finished stack made anew, with other settings or from one of its steps on."""

from __future__ import annotations

import hashlib
import json
import zlib
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from fourlight import __version__
from fourlight.engine import Progress, Silent, thread_count
from fourlight.errors import InputError
from fourlight.frames import StarList
from fourlight.io.arrays import mapped_array
from fourlight.io.room import free_room, whole, writing
from fourlight.pipeline import outputs
from fourlight.pipeline.claim import claimed
from fourlight.pipeline.finished import PICTURE, StackFiles, check_results, run_that_left
from fourlight.pipeline.folder import OutputFolder
from fourlight.pipeline.picture import EXTRA, pictured, write_picture, write_sheet
from fourlight.pipeline.products import put_in_place, read_json
from fourlight.pipeline.space import picture_bytes
from fourlight.pipeline.star_table import read_stars
from fourlight.pipeline.swap import RECORD
from fourlight.recipe import Recipe, with_settings
from fourlight.recipe_finish import Finish
from fourlight.settings import nearest
from fourlight.stages.canvas import Canvas, bands
from fourlight.stages.finish import STEPS
from fourlight.stages.picture_parts import Made

__all__ = ["picture_by", "picture_on"]

Float32 = npt.NDArray[np.float32]

SHELF = "picture"
"""Folder of work files in which channels after steps are kept."""
SECTION = "finish."
"""What settings of a picture begin with."""


def picture_on(
    out: Path, settings: Sequence[str] = (), since: str | None = None, progress: Progress | None = None
) -> dict[str, Any]:
    """Make the picture of a finished stack anew, and the report with it; the stack stays as it is.

    Parameters
    ----------
    out : Path
        Folder of the results of a run.
    settings : sequence of str
        ``finish.field=value``, in place of what the recipe of the run has.
    since : str or None
        Make this step, of `fourlight.stages.finish.STEPS`, and all after it anew; None: those whose settings have
        changed.
    progress : Progress or None

    Returns
    -------
    dict
        What ``summary.json`` tells under ``picture``; ``gone`` are files of the picture before that this one has not.

    Raises
    ------
    InputError, OutputError, RecipeError
        There is no finished run, or no such step or setting of the picture.
    """
    if since is not None and since not in STEPS:
        raise InputError(f"--from {since}: {nearest(since, STEPS, 'such step')}")
    return _made(out, partial(_changed, settings=settings), since, progress or Silent())


def picture_by(out: Path, settings: Finish, progress: Progress | None = None) -> dict[str, Any]:
    """`picture_on` with all settings of the picture, in place of those of the run."""
    return _made(
        out, lambda recipe: recipe.model_copy(update={"finish": settings}), None, progress or Silent()
    )


def _made(
    out: Path, changed: Callable[[Recipe], Recipe], since: str | None, progress: Progress
) -> dict[str, Any]:
    """The picture by the recipe of the run as it is changed; see `picture_on`."""
    changed(run_that_left(out).recipe)  # refuses before anything is claimed
    with claimed(out) as folder:
        recipe = changed(run_that_left(out).recipe)
        check_results(out, (PICTURE,))
        canvas = Canvas(folder.layers, recipe.run.memory_gb * 1e9, thread_count(recipe.run.threads))
        layers = StackFiles(folder.root, canvas)
        summary = read_json(folder.root / "summary.json")
        pixels = summary["grid"]["ny"] * summary["grid"]["nx"]
        free_room(
            folder.root, picture_bytes(recipe, pixels, folder.work / SHELF), "work files and the picture"
        )
        progress.begin("picture", len(STEPS) + 3)
        stars = read_stars(folder.root)
        shelf = _Shelf(folder, recipe, since, (summary.get("colour") or {}).get("white"), stars)
        picture, views = pictured(layers, stars, summary, recipe.finish, canvas, shelf, progress.step)
        progress.step()
        with writing(folder.new):
            folder.new.mkdir()
        threads = thread_count(recipe.run.threads)
        summary["picture"] = write_picture(folder.new, picture, views, recipe.finish, threads, summary)
        write_sheet(folder.new, folder.new, summary)
        outputs.write_json(folder.new / "summary.json", summary)
        progress.step()
        gone = [name for name in EXTRA if (folder.root / name).exists() and not (folder.new / name).exists()]
        put_in_place(folder, layers, summary)
        progress.step()
        progress.end(f"picture and report in {out}")
    return {**summary["picture"], "gone": gone}


def _changed(recipe: Recipe, settings: Sequence[str]) -> Recipe:
    """The recipe of a run with other settings of its picture."""
    for setting in settings:
        if "." in setting.partition("=")[0] and not setting.strip().startswith(SECTION):
            raise InputError(
                f"--set {setting}: the stack is finished; settings of its picture begin with {SECTION}, for others run "
                "the lights again"
            )
    return with_settings(recipe, settings)


def _sum(array: Float32) -> int:
    """Check sum (CRC-32) of the pixels of an array (ny, nx)."""
    total = 0
    for rows in bands(array.shape):
        total = zlib.crc32(np.ascontiguousarray(array[rows]).data, total)
    return total


FORMAT = 1
"""Goes up when steps give other channels from the same stack and settings, or other facts."""
BESIDE = {
    "starlight": ("sharpen", "gradient"),
    "starless": ("stars", "gradient"),
    "sharpen starless": ("stars", "sharpen"),
}
"""What is kept beside steps: the step with which it is made anew, and the last one whose settings shape it."""


@dataclass(slots=True)
class _Shelf:
    """Channels after steps that take long, kept in the work folder; see `fourlight.stages.finish.Shelf`."""

    folder: OutputFolder
    recipe: Recipe
    since: str | None
    white: Any
    """What catalogue stars say of white, which may have been told after the run."""
    stars: StarList

    def __call__(self, step: str, make: Callable[[], Made]) -> Made:
        """What is kept of a step, or what is made now and kept."""
        place = self.folder.work / SHELF
        name = f"{step}-{self._key(step)}"
        record = place / f"{name}.json"
        own = BESIDE.get(step, (step, step))[0]
        wanted = self.since is None or STEPS.index(own) < STEPS.index(self.since)
        with suppress(OSError, ValueError, KeyError):  # what cannot be read is made anew
            told = read_json(record) if wanted else None
            if told:
                arrays = [mapped_array(place / f"{name}-{k}.npy", "c") for k in range(len(told["sums"]))]
                if [_sum(array) for array in arrays] == told["sums"]:
                    return Made(arrays, told["facts"])
                del arrays  # the files are written anew
        made = make()
        with writing(place):
            place.mkdir(exist_ok=True)
            for old in place.glob(f"{step}-*"):
                old.unlink()
            for k, array in enumerate(made.arrays):
                with whole(place / f"{name}-{k}.npy") as part, part.open("wb") as file:
                    np.save(file, array)
        # comes last: what it tells of is there
        outputs.write_json(record, {"sums": [_sum(array) for array in made.arrays], "facts": made.facts})
        return made

    def _key(self, step: str) -> str:
        """What shapes the channels after a step: the stack, and the settings of this step and those before it."""
        record = (self.folder.root / RECORD).read_bytes()
        # how much of the light of stars is shown changes nothing in what is left without them
        last = STEPS.index(BESIDE.get(step, (step, step))[1])
        steps = [name for name in STEPS[: last + 1] if name != "stars"]
        finish = self.recipe.finish.model_dump()
        white = self.white if "colour" in steps else None
        text = json.dumps([__version__, FORMAT, white, *(finish[name] for name in steps)], sort_keys=True)
        found = (self.stars.x, self.stars.y, self.stars.flux, self.stars.saturated, self.stars.fwhm_px)
        stars = b"".join(np.ascontiguousarray(values).tobytes() for values in found)
        return hashlib.sha256(record + text.encode() + stars).hexdigest()[:20]
