"""The step of a run that finds its stack on the sky and calibrates its colours by catalogue stars.

It costs the run nothing but itself: where it fails, the summary says why, and all else is as without it.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

import numpy as np

from fourlight.errors import StageError
from fourlight.frames import RawFrame, StarList
from fourlight.pipeline.job import Job
from fourlight.pipeline.lightpaths import named_path
from fourlight.pipeline.plate import Solved, decimal_year, facts, place_from, places_of, solved
from fourlight.pipeline.sky_files import Seen
from fourlight.pipeline.spared import spared
from fourlight.pipeline.star_colours import Coloured, coloured
from fourlight.recipe_gear import Gear
from fourlight.recipe_sky import Sky
from fourlight.sky.catalogue import cone
from fourlight.sky.solving import FEWEST
from fourlight.stages.region_samples import StackReader

__all__ = ["asked", "epoch_of", "fill_in", "on_sky", "site_of", "words_of"]

SAFE = 1.5
"""Catalogue stars on a field over those that a solution needs, from which on one is looked for unasked."""


def asked(chosen: Sky, gear: Gear) -> None:
    """Refuse sections of the recipe that cannot be done, before any work.

    Raises
    ------
    InputError
        Its place is none, or there is no such camera or filter.
    """
    if chosen.place:
        place_from(chosen.place, "sky.place")
    named_path(gear)


def on_sky(
    job: Job, layers: StackReader, summary: dict[str, Any], stars: StarList, reference: RawFrame
) -> Seen | None:
    """Find a stack on the sky where header or recipe name a place near it and the scale.

    ``summary`` gains ``sky`` and ``colour``, or ``sky_problem``; neither where nothing names a place.

    Parameters
    ----------
    job : Job
    layers : StackReader
        Of the stack.
    summary : dict
        Content of ``summary.json``.
    stars : StarList
        Of the reference, at their places on the stack.
    reference : RawFrame
    """
    chosen = job.recipe.sky
    if chosen.solve == "off":
        return None
    where = [("sky.place", place_from(chosen.place, "sky.place"))] if chosen.place else places_of([reference])
    scale = _scale(chosen, summary)
    if not where or scale is None:
        return None
    told: list[str] = []
    job.progress.begin("sky", 1)
    answer = spared(told, "the plate solution", lambda: _found(summary, stars, scale, where))
    seen = None
    if isinstance(answer, Solved):
        what = "the colour calibration"
        found = spared(
            told,
            what,
            lambda: coloured(
                layers, summary, stars, answer.solution, job.recipe, site_of(reference), reference
            ),
        )
        seen = Seen(answer, found or Coloured({"problem": told[-1] if told else what}))
        fill_in(summary, seen)
    else:
        summary["sky_problem"] = answer or told[-1]
    job.progress.step()
    job.progress.end(words_of(summary))
    return seen


def _scale(chosen: Sky, summary: Mapping[str, Any]) -> float | None:
    """Arcsec per pixel of the stack."""
    if chosen.scale_arcsec is not None:
        return chosen.scale_arcsec / float(summary["grid"].get("zoom") or 1.0)
    return summary.get("scale_arcsec_px")


def _found(
    summary: Mapping[str, Any], stars: StarList, scale: float, where: list[tuple[str, tuple[float, float]]]
) -> Solved | str:
    """The plate solution, or why there is none: what is to be expected of many a field is no fault."""
    shape = (int(summary["grid"]["ny"]), int(summary["grid"]["nx"]))
    epoch = epoch_of(summary)
    width = scale * np.hypot(*shape) / 3600
    place = where[0][1]
    around = max(width, 1.0)
    share = shape[0] * shape[1] * (scale / 3600) ** 2 / (np.pi * around**2)
    expected = len(cone(*place, around, epoch=epoch)) * share
    if expected < SAFE * FEWEST:
        return (
            f"the place on the sky was not looked for: some {expected:.0f} catalogue stars are to be expected on this "
            f"field, and a run looks from {SAFE * FEWEST:.0f} on"
        )
    try:
        return solved("the stack", stars, shape, scale, where, epoch, anywhere=False)
    except StageError as error:
        return f"the place on the sky was not found: {error.measured}; {error.needed}"


def fill_in(summary: dict[str, Any], seen: Seen) -> None:
    """Put what was found into the summary."""
    summary["sky"] = facts(seen.answer)
    summary["colour"] = seen.coloured.facts
    summary["to_know"] += [text for text in seen.coloured.remarks if text not in summary["to_know"]]
    summary.pop("sky_problem", None)


def words_of(summary: Mapping[str, Any]) -> str:
    """What was found, for the progress of a run."""
    if problem := summary.get("sky_problem"):
        return f"{problem}"
    sky, colour = summary["sky"], summary["colour"]
    used = (colour.get("stars") or {}).get("used", 0)
    if colour.get("problem"):
        return f"{sky['stars']} catalogue stars found; no colours: {colour['problem']}"
    return f"{sky['stars']} catalogue stars found, colours calibrated by {used}"


def epoch_of(summary: Mapping[str, Any]) -> float:
    """Julian year of the lights."""
    times = [frame.get("time") for frame in summary["frames"]]
    return decimal_year([datetime.fromisoformat(time) for time in times if time])


def site_of(frame: RawFrame | None) -> tuple[float, float] | None:
    """Latitude and longitude that a header states."""
    if frame is None or frame.latitude_deg is None or frame.longitude_deg is None:
        return None
    return frame.latitude_deg, frame.longitude_deg
