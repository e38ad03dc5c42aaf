"""Catalogue stars of a stack that is solved, with their light in every plane: for whatever else needs them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fourlight.errors import InputError
from fourlight.frames import StarList
from fourlight.pipeline.on_sky import epoch_of
from fourlight.pipeline.plate import solved
from fourlight.pipeline.star_colours import fluxes_of
from fourlight.stages.region_samples import StackReader
from fourlight.stages.star_fluxes import StarFluxes

__all__ = ["matched_stars"]


def matched_stars(name: str, layers: StackReader, summary: Mapping[str, Any], stars: StarList) -> StarFluxes:
    """Fluxes per plane with errors, V and B-V with errors, of all catalogue stars found on a stack.

    Parameters
    ----------
    name : str
        Of the folder, for errors.
    layers : StackReader
        Of the stack: those of a run, or ``StackFiles`` of a finished one.
    summary : mapping
        Content of ``summary.json``.
    stars : StarList
        Found on the green plane, at their places on the stack.

    Returns
    -------
    StarFluxes
        Full stars and those with others beside them are in it too: ``good`` tells those that can be believed.

    Raises
    ------
    InputError
        The stack has not been solved.
    StageError
        It cannot be solved any more.
    """
    sky = summary.get("sky")
    if not sky:
        raise InputError(
            f"{name}: its place on the sky is not known, so that no star is known by name; fourlight solve tells it"
        )
    green = layers.read("G", "value")
    shape = (int(green.shape[0]), int(green.shape[1]))
    where = [("summary.json", (float(sky["ra_deg"]), float(sky["dec_deg"])))]
    answer = solved(
        name, stars, shape, float(sky["scale_arcsec_px"]), where, epoch_of(summary), anywhere=False
    )
    return fluxes_of(layers, summary, stars, answer.solution)
