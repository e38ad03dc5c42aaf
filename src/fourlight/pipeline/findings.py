"""What the stages of a run found out, put together for the summary."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

import numpy as np
import numpy.typing as npt

from fourlight.core import cfa
from fourlight.frames import MeasuredFrame, RawFrame, RegisteredFrame, StarList
from fourlight.pipeline.foreseen import with_odd
from fourlight.pipeline.integration import Integrated
from fourlight.pipeline.job import Job
from fourlight.pipeline.kinds import Kind
from fourlight.pipeline.layers import StackLayers
from fourlight.pipeline.names import odd_ones, to_know
from fourlight.pipeline.summary import Findings
from fourlight.stages.calibration import Calibration
from fourlight.stages.empty_sky import burnt_pixels, empty_sky, star_masks
from fourlight.stages.grid import Grid
from fourlight.stages.holdings import plane_holdings, with_shares
from fourlight.stages.select import kind_of, kind_words
from fourlight.stages.stack_layers import OUTPUT_PLANES

__all__ = ["findings_of"]


def findings_of(
    job: Job, frames: Sequence[RegisteredFrame], others: Sequence[RawFrame], reference: MeasuredFrame,
    stack: Integrated, calibration: Calibration, parts: Sequence[Kind],
) -> Findings:  # fmt: skip
    """All of it, for ``summary.json``.

    Parameters
    ----------
    job : Job
    frames : sequence of RegisteredFrame
        Lights of the stack.
    others : sequence of RawFrame
        Calibration frames.
    reference : MeasuredFrame
    stack : Integrated
    calibration : Calibration
    parts : sequence of Kind
        Lights that belong together, the usual ones first.
    """
    layers, weight, grid = stack.layers, stack.table.density, Grid.named(job.recipe.integrate.grid)
    known = calibration.noise.pedestal_known
    share = layers.rejected / np.maximum(layers.used, 1)
    out = {item.path for item in job.set_aside}
    used = [frame.measured.raw for frame in frames]
    used += [with_odd(frame, calibration.odd) for frame in others if frame.path not in out]
    odd = odd_ones(used, job.names)
    return Findings(
        reference=reference,
        grid=grid,
        frames=frames,
        weight=weight / weight.max(axis=0),
        sky_error=stack.table.sky_error,
        trails=stack.table.trails,
        unit=calibration.noise.unit,
        mosaic=asdict(parts[0].mosaic),
        kinds=_kinds(parts, calibration) if len(parts) > 1 else (),
        noise=calibration.noise,
        calibration={**calibration.summary, "notes": list(calibration.notes)},
        way=stack.way,
        weights_for=job.recipe.integrate.weights,
        rejected_share=dict(zip(cfa.PLANES, share.tolist(), strict=True)),
        noise_correlation={plane: layers.noise_correlation(plane) for plane in OUTPUT_PLANES},
        planes=with_shares(
            _planes(layers, grid.stars(reference.stars), stack.table.full / stack.table.zoom**2),
            stack.table,
            pedestal_known=known,
        ),
        set_aside=job.set_aside,
        names=job.names,
        roles=job.roles,
        measured=job.measured,
        assumptions=job.notes,
        to_know=to_know(job.remarks, odd),
        odd=odd,
    )


def _kinds(parts: Sequence[Kind], calibration: Calibration) -> list[dict[str, Any]]:
    """What is known of each kind of lights, as plain data."""
    return [
        {
            "kind": part.name or kind_words(*(kind_of(p.lights[0]) for p in parts[:2])) or "first lights",
            "files": [str(frame.path) for frame in part.lights],
            "mosaic": asdict(part.mosaic),
            "noise": asdict(calibration.noise_of(part.lights[0])),
        }
        for part in parts
    ]


def _planes(layers: StackLayers, stars: StarList, full: npt.NDArray[np.float64]) -> dict[str, dict[str, Any]]:
    """What each plane of the stack holds; ``full`` (4,) is the level of full samples on it."""
    values = {plane: layers.read(plane, "value") for plane in OUTPUT_PLANES}
    hidden = star_masks(stars, values["G"].shape).near | burnt_pixels(values, full)
    level = empty_sky(values, hidden).level
    filled = dict(zip(cfa.PLANES, full.tolist(), strict=True)) | {"G": float(full[1:3].min())}

    def held(plane: str) -> dict[str, Any]:
        value, variance, samples = (layers.read(plane, part) for part in ("value", "variance", "samples"))
        return {**plane_holdings(value, variance, samples, stars, level[plane]), "full": filled[plane]}

    return {plane: held(plane) for plane in OUTPUT_PLANES}
