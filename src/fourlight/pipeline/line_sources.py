"""Finished stacks that lines are made from, and what their stars teach."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from fourlight.core.cfa import COLOURS
from fourlight.errors import InputError, StageError
from fourlight.pipeline.finished import StackFiles
from fourlight.pipeline.lightpaths import beam_of
from fourlight.pipeline.line_request import Asked, Source
from fourlight.pipeline.matched import matched_stars
from fourlight.pipeline.on_sky import site_of
from fourlight.pipeline.products import read_json
from fourlight.pipeline.reference_light import reference_light
from fourlight.pipeline.star_colours import air_masses
from fourlight.pipeline.star_table import read_stars
from fourlight.recipe_gear import Gear
from fourlight.sensor.filters import known_filter, named_filter
from fourlight.stages.line_kinds import Telling
from fourlight.stages.line_stars import StarsUsed, taught

__all__ = ["WIDE", "behind_its_filter", "by_stars", "in_its_beam", "opened"]

Float64 = npt.NDArray[np.float64]

WIDE = "uv-ir-cut"
"""Filter of a second stack of which nobody tells one that is known."""
USUAL_MASS = 1.3
"""Air masses where site or time of the lights are not known."""


def opened(root: Path, name: str, layers: StackFiles) -> Source:
    """A finished stack with its stars.

    Raises
    ------
    InputError
        It lacks a plane, or its star list is gone.
    """
    missing = [plane for plane in COLOURS if not layers.holds(plane)]
    if missing:
        raise InputError(
            f"{root / 'stack.fits'}: has no plane {', '.join(missing)}; lines are told apart by red, green and blue: "
            "run the lights of a colour camera anew"
        )
    summary = read_json(root / "summary.json") or {}
    return Source(name, layers, read_stars(root), summary, reference_light(summary))


def in_its_beam(asked: Asked, source: Source, other: Source | None, gear: Gear) -> Asked:
    """What is asked, with the f-ratio of recipe or header where none was named; of each stack by itself."""
    if asked.beam is not None:
        return replace(asked, broadband_beam=asked.beam)
    beam, origin = beam_of(gear, source.reference)
    beside = beam_of(gear, other.reference)[0] if other is not None else None
    return replace(asked, beam=beam, beam_from=origin, broadband_beam=beside)


def behind_its_filter(asked: Asked, other: Source | None) -> Asked:
    """What is asked, with the filter that headers of the second stack name where it is known and none was named."""
    if other is None or asked.broadband_filter is not None:
        return asked
    stated = known_filter(other.reference.filter_name) if other.reference else None
    origin = "the headers" if stated else "assumed"
    return replace(asked, broadband_filter=named_filter(stated or WIDE), broadband_filter_from=origin)


def by_stars(telling: Telling, asked: Asked, source: Source, variance: Float64) -> StarsUsed:
    """The matrix as stars of known colour improve it, where the stack has a plate solution."""
    try:
        stars = matched_stars(source.name, source.layers, source.summary, source.stars)
    except (InputError, StageError) as error:
        words = f"{error.measured}; {error.needed}" if isinstance(error, StageError) else f"{error}"
        why = words.removeprefix(f"{source.name}: ")
        facts = {"used": False, "stars": 0, "reason": f"{why}; the matrix is that of the curves"}
        return StarsUsed(telling, facts)
    sky, site = source.summary["sky"], site_of(source.reference)
    mass = air_masses(source.summary, sky["ra_deg"], sky["dec_deg"], site)
    return taught(telling, asked.path, stars, variance, USUAL_MASS if mass is None else mass)
