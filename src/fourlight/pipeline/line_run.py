"""Lines inside a run, where its recipe names camera and filter."""

from __future__ import annotations

import os
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

from fourlight.errors import InputError
from fourlight.frames import RawFrame
from fourlight.pipeline.finished import Finished
from fourlight.pipeline.lightpaths import beam_of, named_path
from fourlight.pipeline.line_files import write_lines
from fourlight.pipeline.line_request import Asked, Source
from fourlight.pipeline.lines import lines_of
from fourlight.recipe import Recipe
from fourlight.sensor.filters import FILTERS, known_filter, named_filter
from fourlight.sensor.sensors import names
from fourlight.stages.canvas import Canvas

__all__ = ["asked_by", "lines_in_run", "with_places"]


def with_places(recipe: Recipe) -> Recipe:
    """The recipe with whole paths of files with curves, so that its record can be run again from anywhere."""
    named = {"camera": recipe.gear.camera, "filter": recipe.gear.filter}
    files = {key: os.path.abspath(name) for key, name in named.items() if name and os.path.isfile(name)}
    known = {*names(), *FILTERS}
    files = {key: path for key, path in files.items() if named[key] not in known}
    return recipe.model_copy(update={"gear": recipe.gear.model_copy(update=files)})


def asked_by(recipe: Recipe, light: RawFrame) -> Asked | None:
    """What a recipe asks of lines; None where it names no camera, or the filter is none for lines.

    Parameters
    ----------
    recipe : Recipe
    light : RawFrame
        The reference light, whose header may tell filter and f-ratio.

    Raises
    ------
    InputError
        There is no such camera or filter, or none is known by the name in the headers.
    """
    gear, stated = recipe.gear, light.filter_name
    if recipe.lines.tell == "off" or not gear.camera:
        return None
    camera, passed = named_path(gear)
    if passed is None and stated:
        known = known_filter(stated)
        if known is None:
            raise InputError(
                f"the filter of the lights ({stated}) is not known by that name; gear.filter names one, or "
                "lines.tell=off leaves it"
            )
        passed = named_filter(known)
    if camera is None or passed is None:
        return None
    beam, origin = beam_of(gear, light)
    return Asked(camera, passed, beam, beam_from=origin) if passed.narrow else None


def lines_in_run(run: Finished, summary: dict[str, Any]) -> Callable[[Path], None] | None:
    """Lines of the stack of a run, as what writes them into a folder; None where the recipe asks for none.

    Raises
    ------
    InputError
        They cannot be told.
    """
    job, light = run.job, run.reference.raw
    asked = asked_by(job.recipe, light)
    if asked is None:
        return None
    canvas = Canvas(job.folder.layers, job.recipe.run.memory_gb * 1e9, job.threads)
    source = Source("the stack", run.layers, run.stars, summary, light)
    found = lines_of(source, None, asked, job.recipe.finish, canvas, job.progress)
    return partial(
        write_lines, found=found, cards={}, quality=job.recipe.finish.files.jpeg_quality, threads=job.threads
    )
