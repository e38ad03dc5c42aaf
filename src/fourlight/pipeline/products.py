"""The files of OUT, made from the finished layers: all of them written first, then put in their places together."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from fourlight.core.cfa import PLANES
from fourlight.engine import give_back, in_order, nothing
from fourlight.frames import StarList
from fourlight.io.export import own_tiff
from fourlight.io.room import writing
from fourlight.io.unreadable import unreadable
from fourlight.json_text import json_of
from fourlight.pipeline import outputs
from fourlight.pipeline.evidence_files import CHANNELS, CLAIMS
from fourlight.pipeline.finished import PICTURE, Stack, anew
from fourlight.pipeline.folder import OutputFolder
from fourlight.pipeline.job import Job
from fourlight.pipeline.layers import StackLayers
from fourlight.pipeline.picture import EXTRA, SHEET, pictured, write_picture, write_sheet
from fourlight.pipeline.sky_files import OF_SKY, Seen, sky_figures
from fourlight.pipeline.spared import spared
from fourlight.pipeline.star_table import STARS, write_stars
from fourlight.pipeline.swap import RECORD, publish
from fourlight.report.figures import figure_steps, write_figures
from fourlight.report.page import write_report
from fourlight.report.step_views import StepViews
from fourlight.stages.canvas import Canvas
from fourlight.stages.framing import Framing
from fourlight.stages.picture_parts import Picture

Float32 = npt.NDArray[np.float32]

__all__ = ["FIGURES", "put_in_place", "read_json", "write_again", "write_all"]

FIGURES = "figures"
LINES = ("lines.fits", "lines.json", "lines")
"""Maps of lines, what is told of them, and the folder of their pictures."""


def write_all(
    job: Job, layers: StackLayers, summary: dict[str, Any], provenance: dict[str, Any], stars: StarList,
    channels: dict[str, Any] | None = None, claims: list[dict[str, Any]] | None = None, seen: Seen | None = None,
    write_lines: Callable[[Path], None] | None = None,
) -> None:  # fmt: skip
    """Write every result of a run; OUT holds the results of one run at any time, the old ones or the new.

    ``summary`` gains the notes of the picture, and of figures that fail, before it is written; ``channels`` and
    ``claims`` are what was measured on its lights, None where the recipe does not ask for it, ``seen`` where it lies on
    the sky; ``write_lines`` writes the lines into a folder.
    """
    folder, recipe, progress = job.folder, job.recipe, job.progress
    place = folder.new
    with writing(place):
        place.mkdir()
    picture, views = _written_beside(job, layers, summary, stars, seen)
    give_back(rings=True)
    summary["picture"] = write_picture(place, picture, views, recipe.finish, job.threads, summary)
    write_stars(place / STARS, stars)
    give_back(rings=True)
    progress.step()
    planes = {name: layers.read(name, "value") for name in PLANES}
    spared(
        summary["to_know"], "a figure of the channels",
        lambda: _write_evidence(place, channels, claims, planes, summary, few=True),
    )  # fmt: skip
    if seen is not None:
        spared(
            summary["to_know"], "a figure of the sky",
            lambda: sky_figures(place / FIGURES, summary, seen, place),
        )  # fmt: skip
    spared(summary["to_know"], SHEET, lambda: write_sheet(place, place, summary))
    if write_lines is not None:
        spared(summary["to_know"], "the files of lines", lambda: _write_lines(place, write_lines))
    outputs.write_json(place / "summary.json", summary)
    outputs.write_csv(place / "frames.csv", summary)
    outputs.write_json(place / RECORD, provenance)
    progress.step()
    shown = Framing.of(summary["picture"]).part(picture.window, picture.rgb)
    write_report(
        folder.root, summary, shown, planes, provenance, place, layers.rejected_map(), channels, claims,
        _lines(place),
    )  # fmt: skip
    publish(place, folder.root, folder.old, (CHANNELS, CLAIMS, FIGURES, SHEET, *LINES, *EXTRA))
    progress.step()


def write_again(
    job: Job, layers: Stack, channels: dict[str, Any] | None = None, claims: list[dict[str, Any]] | None = None
) -> None:  # fmt: skip
    """Write what was measured anew on a finished stack beside its other results, and the report with it."""
    folder, progress = job.folder, job.progress
    place, root = folder.new, folder.root
    progress.begin("report", 1 + (figure_steps(channels) if channels else 0))
    with writing(place):
        place.mkdir()
    summary = read_json(root / "summary.json")
    planes = {name: layers.read(name, "value") for name in PLANES}
    _write_evidence(place, channels, claims, planes, summary, told=progress.step)
    for kept in (f"{FIGURES}/{name}" for name in OF_SKY):
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
    made = place if (place / PICTURE).exists() else root
    picture = own_tiff(made / PICTURE)
    planes = {name: layers.read(name, "value") for name in PLANES}
    write_report(
        root, summary, picture, planes, read_json(root / RECORD), place, layers.rejected_map(),
        read_json(root / CHANNELS) if channels is None else channels,
        read_json(root / CLAIMS) if claims is None else claims,
        _lines(place) or _lines(root),
    )  # fmt: skip
    del picture  # a file that is open is not replaced everywhere
    with writing(place):
        shutil.copyfile(root / RECORD, place / RECORD)
    publish(place, root, folder.old, EXTRA if made == place else ())


def _write_evidence(
    place: Path, channels: dict[str, Any] | None, claims: list[dict[str, Any]] | None,
    planes: dict[str, Float32], summary: dict[str, Any], *, few: bool = False, told: Callable[[], None] = nothing,
) -> None:  # fmt: skip
    """What was measured on the lights, with figures of what the channels did, few of them or all."""
    if claims is not None:
        outputs.write_json(place / CLAIMS, claims)
    if channels is not None:
        outputs.write_json(place / CHANNELS, channels)
        y0, y1, x0, x1 = summary["picture"]["window"]
        seen = {name: plane[y0:y1, x0:x1] for name, plane in planes.items()}
        write_figures(place / FIGURES, channels, seen, summary.get("scale_arcsec_px"), few=few, told=told)
        give_back(rings=True)  # matplotlib's figures are some, and hold their pixels


def _write_lines(place: Path, write: Callable[[Path], None]) -> None:
    """All files of lines, or none."""
    try:
        write(place)
    except BaseException:
        for name in LINES:
            if (place / name).is_dir():
                shutil.rmtree(place / name)
            else:
                (place / name).unlink(missing_ok=True)
        raise


def _lines(folder: Path) -> tuple[Any, Path] | None:
    """What is told of lines in a folder of results, and where their pictures are."""
    _, facts, pictures = LINES
    told = read_json(folder / facts)
    return None if told is None else (told, folder / pictures)


def read_json(path: Path, advice: str = "") -> Any:
    """A JSON file of the results; None where there is none.

    ``advice`` is what to do where it cannot be read; else it names the command that makes the file.

    Raises
    ------
    InputError
        It cannot be read, or is not whole.
    """
    try:
        return json_of(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return None
    except (OSError, ValueError) as error:
        own = path.name in (CHANNELS, CLAIMS, LINES[1])
        command = f"fourlight {path.stem} {path.parent} makes it anew" if own else anew(path.parent)
        raise unreadable(path, error, advice or command) from None


def _written_beside(
    job: Job, layers: StackLayers, summary: dict[str, Any], stars: StarList, seen: Seen | None
) -> tuple[Picture, StepViews]:
    """The picture; stack and halves are written while it is made."""
    sky, named = (seen.cards, seen.named) if seen else ({}, {})

    def stack() -> None:
        outputs.write_stack(job.folder.new / "stack.fits", layers, summary, sky, named)
        job.progress.step()

    def halves() -> None:
        outputs.write_halves(job.folder.new / "halves.fits", layers, summary, sky)
        job.progress.step()

    canvas = Canvas(job.folder.layers, job.recipe.run.memory_gb * 1e9, job.threads)
    tasks: list[Callable[[], tuple[Picture, StepViews] | None]] = [
        partial(pictured, layers, stars, summary, job.recipe.finish, canvas),
        stack,
        halves,
    ]
    made, *_ = in_order(lambda task: task(), tasks, job.threads)
    assert made is not None
    return made
