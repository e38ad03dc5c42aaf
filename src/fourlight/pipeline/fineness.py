"""How fine the detail of each channel of a finished stack is, as ``channels.json`` holds it."""

from __future__ import annotations

from typing import Any

from fourlight.pipeline.finished import Finished
from fourlight.pipeline.summary import arcsec_per_pixel
from fourlight.stages.fineness import WINDOW_BYTES, fineness
from fourlight.stages.fineness_facts import resolution_facts
from fourlight.stages.sampling import Lights
from fourlight.stages.stack_layers import OUTPUT_PLANES

__all__ = ["resolution_of"]


def resolution_of(run: Finished) -> dict[str, dict[str, Any]]:
    """Resolution of R, G1, G2, B and G of a stack, from its half stacks.

    Returns
    -------
    dict
        By channel, see `fourlight.stages.fineness_facts.resolution_facts`; pixels are those of the stack.
    """
    halves = {
        plane: (run.layers.read(plane, "value_a"), run.layers.read(plane, "value_b"))
        for plane in OUTPUT_PLANES
    }
    lights, threads = Lights.of_table(run.table), run.job.at_once(WINDOW_BYTES)
    found = fineness(halves, run.stars, lights, threads, run.job.progress.step)
    scale = arcsec_per_pixel(run.reference)
    arcsec = scale / run.table.zoom if scale else None
    return {plane: resolution_facts(fine, arcsec) for plane, fine in found.items()}
