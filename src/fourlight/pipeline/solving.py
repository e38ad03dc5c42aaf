"""The plate solution of a finished stack, written beside its other results."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from astropy.io import fits

from fourlight.engine import Progress, Silent, thread_count
from fourlight.frames import RawFrame
from fourlight.io.fits_amending import amend
from fourlight.io.room import writing
from fourlight.pipeline import outputs
from fourlight.pipeline.claim import claimed
from fourlight.pipeline.finished import StackFiles, check_results, run_that_left
from fourlight.pipeline.folder import OutputFolder
from fourlight.pipeline.linear_sky import framing_of, linear_cards
from fourlight.pipeline.on_sky import asked, epoch_of, fill_in, site_of, words_of
from fourlight.pipeline.picture import LINEAR, write_sheet
from fourlight.pipeline.plate import Known, place_from, places_of, solved
from fourlight.pipeline.products import FIGURES, put_in_place, read_json
from fourlight.pipeline.reference_light import reference_light
from fourlight.pipeline.sky_files import OF_SKY, Seen, sky_figures
from fourlight.pipeline.star_colours import coloured
from fourlight.pipeline.star_table import read_stars
from fourlight.recipe import Recipe
from fourlight.recipe_sky import Sky
from fourlight.stages.canvas import Canvas

__all__ = ["solve_results"]

STACKS = ("stack.fits", "halves.fits")
LINES = "lines.fits"
"""Gets coordinates too, where it is."""


def solve_results(
    out: Path, known: Known, progress: Progress | None = None, colours: Recipe | None = None
) -> dict[str, Any]:
    """Solve a finished stack and calibrate its colours, and write both into the headers; samples stay as they are.

    Parameters
    ----------
    out : Path
        Folder of the results of a run.
    known : Known
        What the user says of place and scale, which goes before what recipe and headers say.
    progress : Progress or None
    colours : Recipe or None
        With camera, filter and white star; None: that of the run.

    Returns
    -------
    dict
        What ``summary.json`` tells under ``sky`` and ``colour``.

    Raises
    ------
    InputError, OutputError, StageError
        There is no finished run, no such camera or filter, the scale is not known, or no solution can be proven.
    """
    past = run_that_left(out)
    progress = progress or Silent()
    recipe = past.recipe
    chosen = colours or recipe
    asked(chosen.sky, chosen.gear)
    with claimed(out) as folder:
        check_results(out)
        canvas = Canvas(folder.layers, recipe.run.memory_gb * 1e9, thread_count(recipe.run.threads))
        layers = StackFiles(folder.root, canvas)
        summary = read_json(folder.root / "summary.json")
        progress.begin("solve", 2)
        green = layers.read("G", "value")
        stars = read_stars(folder.root)
        reference = reference_light(summary)
        lights = [reference] if reference else []
        shape = (int(green.shape[0]), int(green.shape[1]))
        where = _places(known, recipe.sky, lights)
        answer = solved(
            "stack.fits", stars, shape, _scale(known, recipe.sky, summary), where, epoch_of(summary)
        )
        progress.step()
        site = site_of(reference)
        seen = Seen(answer, coloured(layers, summary, stars, answer.solution, chosen, site, reference))
        fill_in(summary, seen)
        progress.step()
        progress.end(f"{words_of(summary)}, looked for {answer.looked_for}")
        _write(folder, layers, summary, seen, progress)
    return {"sky": dict(summary["sky"]), "colour": dict(summary["colour"])}


def _places(known: Known, chosen: Sky, lights: Sequence[RawFrame]) -> list[tuple[str, tuple[float, float]]]:
    """Who names a place near the middle, and which."""
    if known.hint:
        return [("--hint", known.hint)]
    if chosen.place:
        return [("sky.place", place_from(chosen.place, "sky.place"))]
    return places_of(lights)


def _scale(known: Known, chosen: Sky, summary: dict[str, Any]) -> float | None:
    """Arcsec per pixel of the stack; what a user gives to the command is that too."""
    zoom = float(summary["grid"].get("zoom") or 1.0)
    if known.scale_arcsec is not None:
        return known.scale_arcsec
    return chosen.scale_arcsec / zoom if chosen.scale_arcsec else summary.get("scale_arcsec_px")


def _write(
    folder: OutputFolder, layers: StackFiles, summary: dict[str, Any], seen: Seen, progress: Progress
) -> None:
    """Everything that tells of the solution, put in place together."""
    place, root = folder.new, folder.root
    progress.begin("report", 4)
    with writing(place):
        place.mkdir()
    for name in STACKS:
        amend(root / name, place / name, seen.cards, seen.named if name == "stack.fits" else None)
        progress.step()
    if (root / LINES).exists():
        amend(root / LINES, place / LINES, seen.cards)
    if (root / LINEAR).exists():
        header = fits.getheader(root / LINEAR, 1)
        amend(root / LINEAR, place / LINEAR, linear_cards(summary["sky"]["cards"], framing_of(header)))
    outputs.write_json(place / "summary.json", summary)
    write_sheet(place, root, summary)
    figures = place / FIGURES
    with writing(figures):
        if (root / FIGURES).is_dir():
            shutil.copytree(root / FIGURES, figures, ignore=shutil.ignore_patterns(*OF_SKY))
    sky_figures(figures, summary, seen, root)
    progress.step()
    put_in_place(folder, layers, summary)
    progress.step()
    progress.end(f"coordinates in {' and '.join(STACKS)}, report in {root}")
