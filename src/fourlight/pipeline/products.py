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
from fourlight.pipeline.finished import Stack
from fourlight.pipeline.folder import OutputFolder
from fourlight.pipeline.job import Job
from fourlight.pipeline.layers import StackLayers
from fourlight.pipeline.spared import spared
from fourlight.pipeline.swap import RECORD, publish
from fourlight.report.figures import write_figures
from fourlight.report.page import write_report
from fourlight.stages.canvas import Canvas
from fourlight.stages.finish import Picture, finish
from fourlight.stages.way import misfit

Float32 = npt.NDArray[np.float32]

__all__ = ["FIGURES", "SKY_FIGURE", "put_in_place", "read_json", "write_again", "write_all"]

CHANNELS, CLAIMS, FIGURES = "channels.json", "claims.json", "figures"
SKY_FIGURE = "sky"
"""The picture under a grid of coordinates, which `fourlight.pipeline.solving` makes."""
COLOURS = ("R", "G", "B")


def write_all(
    job: Job, layers: StackLayers, summary: dict[str, Any], provenance: dict[str, Any], stars: StarList,
    channels: dict[str, Any] | None = None, claims: list[dict[str, Any]] | None = None,
) -> None:  # fmt: skip
    """Write every result of a run; OUT holds the results of one run at any time, the old ones or the new.

    ``summary`` gains the notes of the picture, and of figures that fail, before it is written; ``channels`` and
    ``claims`` are what was measured on its lights, None where the recipe does not ask for it.
    """
    folder, recipe, progress = job.folder, job.recipe, job.progress
    place = folder.new
    with writing(place):
        place.mkdir()
    picture = _written_beside(job, layers, summary, stars)
    save_picture(picture.rgb, place / "picture", recipe.finish.jpeg_quality, job.threads)
    progress.step()
    summary["picture"] = {"window": list(picture.window), "notes": list(picture.notes)}
    planes = {name: layers.read(name, "value") for name in PLANES}
    spared(
        summary["to_know"], "a figure of the channels",
        lambda: _write_evidence(place, channels, claims, planes, summary, few=True),
    )  # fmt: skip
    outputs.write_json(place / "summary.json", summary)
    outputs.write_csv(place / "frames.csv", summary)
    outputs.write_json(place / RECORD, provenance)
    progress.step()
    write_report(
        folder.root, summary, picture.rgb, planes, provenance, place, layers.rejected_map(), channels, claims
    )
    publish(place, folder.root, folder.old, (CHANNELS, CLAIMS, FIGURES))
    progress.step()


def write_again(
    job: Job, layers: Stack, channels: dict[str, Any] | None = None, claims: list[dict[str, Any]] | None = None
) -> None:  # fmt: skip
    """Write what was measured anew on a finished stack beside its other results, and the report with it."""
    folder, progress = job.folder, job.progress
    place, root = folder.new, folder.root
    progress.begin("report", 1)
    with writing(place):
        place.mkdir()
    summary = read_json(root / "summary.json")
    planes = {name: layers.read(name, "value") for name in PLANES}
    _write_evidence(place, channels, claims, planes, summary)
    kept = f"{FIGURES}/{SKY_FIGURE}.png"
    if summary.get("sky") and (place / FIGURES).is_dir() and (root / kept).exists():
        shutil.copyfile(root / kept, place / kept)
    put_in_place(folder, layers, summary, channels, claims)
    progress.step()
    progress.end(f"report in {root}")


def put_in_place(
    folder: OutputFolder, layers: Stack, summary: dict[str, Any], channels: dict[str, Any] | None = None,
    claims: list[dict[str, Any]] | None = None,
) -> None:  # fmt: skip
    """Write the report of a finished stack anew, and put all that lies in the new folder in its place with it.

    ``channels`` and ``claims`` are those of the results where they are None.
    """
    place, root = folder.new, folder.root
    picture = tifffile.imread(root / "picture.tif").astype(np.float32) / np.float32(65535)
    planes = {name: layers.read(name, "value") for name in PLANES}
    write_report(
        root, summary, picture, planes, read_json(root / RECORD), place, layers.rejected_map(),
        read_json(root / CHANNELS) if channels is None else channels,
        read_json(root / CLAIMS) if claims is None else claims,
    )  # fmt: skip
    with writing(place):
        shutil.copyfile(root / RECORD, place / RECORD)
    publish(place, root, folder.old)


def _write_evidence(
    place: Path, channels: dict[str, Any] | None, claims: list[dict[str, Any]] | None,
    planes: dict[str, Float32], summary: dict[str, Any], *, few: bool = False,
) -> None:  # fmt: skip
    """What was measured on the lights, with figures of what the channels did, few of them or all."""
    if claims is not None:
        outputs.write_json(place / CLAIMS, claims)
    if channels is not None:
        outputs.write_json(place / CHANNELS, channels)
        y0, y1, x0, x1 = summary["picture"]["window"]
        seen = {name: plane[y0:y1, x0:x1] for name, plane in planes.items()}
        write_figures(place / FIGURES, channels, seen, summary.get("scale_arcsec_px"), few=few)


def read_json(path: Path) -> Any:
    """A JSON file of the results; None where there is none."""
    return json.loads(path.read_text(encoding="utf-8")) if path.exists() else None


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
