"""The files of OUT, made from the finished layers: all of them written first, then put in their places together."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import tifffile

from fourlight.core.cfa import PLANES
from fourlight.engine import in_order
from fourlight.frames import StarList
from fourlight.io.export import save_picture
from fourlight.io.room import writing
from fourlight.pipeline import outputs
from fourlight.pipeline.job import Job
from fourlight.pipeline.layers import StackLayers
from fourlight.pipeline.swap import RECORD, publish
from fourlight.report.page import write_report
from fourlight.stages.canvas import Canvas
from fourlight.stages.finish import Picture, finish
from fourlight.stages.region_samples import StackReader
from fourlight.stages.way import misfit

Float32 = npt.NDArray[np.float32]

__all__ = ["write_again", "write_all"]

CHANNELS = "channels.json"
COLOURS = ("R", "G", "B")


def write_all(
    job: Job, layers: StackLayers, summary: dict[str, Any], provenance: dict[str, Any], stars: StarList,
    channels: dict[str, Any],
) -> None:  # fmt: skip
    """Write every result of a run; OUT holds the results of one run at any time, the old ones or the new.

    ``summary`` gains the notes of the picture before it is written; ``channels`` is what the channels contributed.
    """
    folder, recipe, progress = job.folder, job.recipe, job.progress
    place = folder.new
    with writing(place):
        place.mkdir()
    picture = _written_beside(job, layers, summary, stars)
    save_picture(picture.rgb, place / "picture", recipe.finish.jpeg_quality, job.threads)
    progress.step()
    summary["picture"] = {"window": list(picture.window), "notes": list(picture.notes)}
    outputs.write_json(place / "summary.json", summary)
    outputs.write_csv(place / "frames.csv", summary)
    outputs.write_json(place / CHANNELS, channels)
    outputs.write_json(place / RECORD, provenance)
    progress.step()
    planes = {name: layers.read(name, "value") for name in PLANES}
    write_report(
        folder.root, summary, picture.rgb, planes, provenance, place, layers.rejected_map(), channels
    )
    publish(place, folder.root, folder.old)
    progress.step()


def write_again(job: Job, layers: StackReader, rejected: Float32, channels: dict[str, Any]) -> None:
    """Write what the channels contributed beside the other results of a run, and the report with it."""
    folder, progress = job.folder, job.progress
    place, root = folder.new, folder.root
    with writing(place):
        place.mkdir()
    summary, provenance = (
        json.loads((root / name).read_text(encoding="utf-8")) for name in ("summary.json", RECORD)
    )
    outputs.write_json(place / CHANNELS, channels)
    picture = tifffile.imread(root / "picture.tif").astype(np.float32) / np.float32(65535)
    planes = {name: layers.read(name, "value") for name in PLANES}
    write_report(root, summary, picture, planes, provenance, place, rejected, channels)
    progress.step()
    shutil.copyfile(root / RECORD, place / RECORD)
    publish(place, root, folder.old)


def _written_beside(job: Job, layers: StackLayers, summary: dict[str, Any], stars: StarList) -> Picture:
    """The picture; stack and halves are written while it is made."""

    def write(part: Callable[[Path, StackLayers, dict[str, Any]], None], name: str) -> None:
        part(job.folder.new / name, layers, summary)
        job.progress.step()

    tasks: list[Callable[[], Picture | None]] = [
        partial(_picture, job, layers, summary, stars),
        partial(write, outputs.write_stack, "stack.fits"),
        partial(write, outputs.write_halves, "halves.fits"),
    ]
    picture, *_ = in_order(lambda task: task(), tasks, job.threads)
    assert picture is not None
    return picture


def _picture(job: Job, layers: StackLayers, summary: dict[str, Any], stars: StarList) -> Picture:
    halves = tuple({c: layers.read(c, f"value_{half}") for c in COLOURS} for half in ("a", "b"))
    return finish(
        {c: layers.read(c, "value") for c in COLOURS},
        {c: layers.read(c, "variance") for c in COLOURS},
        (halves[0], halves[1]),
        stars,
        job.recipe.finish,
        misfit(summary["integration"]["method"]),
        Canvas(job.folder.layers, job.recipe.run.memory_gb * 1e9, job.threads),
    )
