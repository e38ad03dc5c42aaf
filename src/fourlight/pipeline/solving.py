"""The plate solution of a finished stack, written beside its other results."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import tifffile

from fourlight.engine import Progress, Silent, thread_count
from fourlight.errors import FourlightError
from fourlight.frames import RawFrame
from fourlight.io.fits_amending import amend
from fourlight.io.room import writing
from fourlight.io.scan import scan
from fourlight.pipeline import outputs
from fourlight.pipeline.claim import claimed
from fourlight.pipeline.finished import StackFiles, check_results, run_that_left
from fourlight.pipeline.folder import OutputFolder
from fourlight.pipeline.plate import Known, Solved, decimal_year, facts, places_of, solved
from fourlight.pipeline.products import FIGURES, SKY_FIGURE, put_in_place, read_json
from fourlight.report.figure_sky import sky_figure
from fourlight.report.figure_style import WIDE, write_figure
from fourlight.report.pictures import reduced
from fourlight.sky.plate import wcs_cards
from fourlight.stages.canvas import Canvas
from fourlight.stages.stack_stars import stack_stars

__all__ = ["solve_results"]

STACKS = ("stack.fits", "halves.fits")
LONGEST_PX = 1920
"""Of the picture in the figure."""


def solve_results(out: Path, known: Known, progress: Progress | None = None) -> dict[str, Any]:
    """Solve a finished stack, and write its sky coordinates into the headers of its planes; samples stay as they are.

    Parameters
    ----------
    out : Path
        Folder of the results of a run.
    known : Known
        What the user says of place and scale, which goes before what headers say.
    progress : Progress or None

    Returns
    -------
    dict
        What ``summary.json`` tells under ``sky``.

    Raises
    ------
    InputError, OutputError, StageError
        There is no finished run, the scale is not known, or no solution can be proven.
    """
    past = run_that_left(out)
    progress = progress or Silent()
    with claimed(out) as folder:
        check_results(out)
        recipe = past.recipe
        canvas = Canvas(folder.layers, recipe.run.memory_gb * 1e9, thread_count(recipe.run.threads))
        layers = StackFiles(folder.root, canvas)
        summary = read_json(folder.root / "summary.json")
        progress.begin("solve", 1)
        green = layers.read("G", "value")
        stars = stack_stars(folder.root / "stack.fits", green, recipe.measure)
        lights = _lights(summary)
        where = [("--hint", known.hint)] if known.hint else places_of(lights)
        scale = known.scale_arcsec or summary.get("scale_arcsec_px")
        shape = (int(green.shape[0]), int(green.shape[1]))
        answer = solved("stack.fits", stars, shape, scale, where, _epoch(summary))
        progress.step()
        progress.end(
            f"{answer.solution.stars} catalogue stars found in the stack, looked for {answer.looked_for}"
        )
        summary["sky"] = facts(answer)
        _write(folder, layers, summary, answer, progress)
    return dict(summary["sky"])


def _lights(summary: dict[str, Any]) -> Sequence[RawFrame]:
    """The light whose grid the stack has, as far as it is still there: its header may say where it points."""
    reference = summary["grid"]["reference"]
    paths = [Path(frame["path"]) for frame in summary["frames"] if frame["file"] == reference]
    try:
        return scan(paths).frames if paths and paths[0].exists() else []
    except (FourlightError, OSError):
        return []


def _epoch(summary: dict[str, Any]) -> float:
    """Julian year of the lights."""
    times = [frame.get("time") for frame in summary["frames"]]
    return decimal_year([datetime.fromisoformat(time) for time in times if time])


def _write(
    folder: OutputFolder, layers: StackFiles, summary: dict[str, Any], answer: Solved, progress: Progress
) -> None:
    """Everything that tells of the solution, put in place together."""
    place, root = folder.new, folder.root
    progress.begin("report", 4)
    with writing(place):
        place.mkdir()
    cards = wcs_cards(answer.solution)
    for name in STACKS:
        amend(root / name, place / name, cards)
        progress.step()
    outputs.write_json(place / "summary.json", summary)
    _write_figure(folder, summary, answer)
    progress.step()
    put_in_place(folder, layers, summary)
    progress.step()
    progress.end(f"coordinates in {' and '.join(STACKS)}, report in {root}")


def _write_figure(folder: OutputFolder, summary: dict[str, Any], answer: Solved) -> None:
    """The picture under its grid, beside the figures that are there."""
    figures = folder.new / FIGURES
    with writing(figures):
        if (folder.root / FIGURES).is_dir():
            shutil.copytree(folder.root / FIGURES, figures)
        figures.mkdir(exist_ok=True)
    named = [(star["name"], star["x_px"], star["y_px"]) for star in summary["sky"]["named"]]
    picture = tifffile.imread(folder.root / "picture.tif")
    small = reduced(picture.astype(np.float32) / np.float32(65535), LONGEST_PX)
    drawn = sky_figure(small, summary["picture"]["window"], answer.solution, named, width=WIDE)
    write_figure(figures, SKY_FIGURE, drawn, vector=False)
