"""The evidence step: what every channel of a finished stack did, measured on the raw samples of its lights."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from fourlight.engine import Progress
from fourlight.errors import InputError
from fourlight.pipeline.channels import OBJECT_OVER_STARS, channels_of
from fourlight.pipeline.claims import claims_of
from fourlight.pipeline.evidence_files import CHANNELS, CLAIMS
from fourlight.pipeline.finished import Finished, finished_run
from fourlight.pipeline.products import write_again
from fourlight.pipeline.sharpness import widths_of
from fourlight.pipeline.spared import spared
from fourlight.report.words import listed
from fourlight.stages import contributions, region_samples, regions
from fourlight.stages.claim_file import Claim, chosen, shipped, with_own
from fourlight.stages.contributions import Ledger
from fourlight.stages.geometry import padded_pixels
from fourlight.stages.regions import OWN, Box, Regions

__all__ = ["Evidence", "channels_on", "check_boxes", "claims_on", "evidence_of", "looked_at"]

Float64 = npt.NDArray[np.float64]

MOST_BOXES = 12
"""Regions that a user can name in one call."""
LEAST_SIDE = 16
"""Of such a region, in pixels of the reference: a light has then 64 samples of red in it, and of blue."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """What was measured on the lights of a finished stack; None where it was not asked for."""

    channels: dict[str, Any] | None = None
    """Content of ``channels.json``."""
    claims: list[dict[str, Any]] | None = None
    """Content of ``claims.json``."""
    remarks: tuple[str, ...] = ()
    """What could not be measured, and why."""


def evidence_of(run: Finished) -> Evidence:
    """What the recipe of a run asks for, on the lights of its stack; what fails costs nothing but itself."""
    asked, told = run.job.recipe.evidence, list[str]()
    if not (asked.channels or asked.claims):
        return Evidence()
    seen = spared(told, "the measurement of what channels did", lambda: (*looked_at(run, {}), widths_of(run)))
    if seen is None:
        return Evidence(remarks=tuple(told))
    found, ledger, widths = seen
    channels = claims = None
    if asked.channels:
        channels = spared(told, "channels.json", lambda: channels_of(run, found, ledger, widths, {}))
    if asked.claims:
        claims = spared(told, "claims.json", lambda: claims_of(run, found, ledger, widths, shipped()))
    return Evidence(channels, claims, tuple(told))


def channels_on(out: Path, boxes: Mapping[str, Box], progress: Progress | None = None) -> dict[str, Any]:
    """Measure what the channels of a finished stack contributed, and write it beside the other results.

    Parameters
    ----------
    out : Path
        Folder of the results of a run.
    boxes : mapping of str to Box
        Regions that the user names.
    progress : Progress or None

    Raises
    ------
    InputError, OutputError
        There is no finished run, its lights have changed, or a region is not on the stack.
    """
    with finished_run(out, progress, {CHANNELS}) as run:
        check_boxes(boxes, run.table.shape, run.table.zoom)
        found, ledger = looked_at(run, boxes)
        channels = channels_of(run, found, ledger, widths_of(run), boxes)
        write_again(run.job, run.layers, channels=channels)
    return channels


def claims_on(
    out: Path, names: Sequence[str], own: Sequence[Claim], progress: Progress | None = None
) -> list[dict[str, Any]]:
    """Test claims on the lights of a finished stack, and write the findings beside the other results.

    Parameters
    ----------
    out : Path
        Folder of the results of a run.
    names : sequence of str
        Claims to be told; empty: all. All are tested together whichever are told.
    own : sequence of Claim
        Claims of the user's, beside those of the program.
    progress : Progress or None

    Raises
    ------
    InputError, OutputError, RecipeError
        There is no finished run, its lights have changed, or no claim has such a name.
    """
    claims = with_own(shipped(), own)
    told = {claim.name for claim in chosen(claims, names)} if names else {claim.name for claim in claims}
    with finished_run(out, progress, {CLAIMS}) as run:
        found, ledger = looked_at(run, {})
        findings = claims_of(run, found, ledger, widths_of(run), claims)
        write_again(run.job, run.layers, claims=findings)
    return [finding for finding in findings if finding["name"] in told]


def check_boxes(boxes: Mapping[str, Box], shape: tuple[int, int], zoom: float = 1.0) -> None:
    """Refuse regions that are not on the stack, or too small for anything to be told; sides are in its pixels.

    Raises
    ------
    InputError
    """
    ny, nx = shape
    if len(boxes) > MOST_BOXES:
        raise InputError(f"{len(boxes)} regions named; {MOST_BOXES} at most can be looked at at a time")
    for name, (x0, y0, x1, y1) in boxes.items():
        box = f"region {name}={x0},{y0},{x1},{y1}"
        if name in (*OWN, OBJECT_OVER_STARS):
            raise InputError(f"{box}: {name} is a name of the program's own; choose another")
        if x0 >= x1 or y0 >= y1:
            raise InputError(
                f"{box}: has no pixels; give the left, upper, right and lower edge, right beyond left and lower beyond "
                "upper"
            )
        if not (x0 >= 0 and x1 <= nx and y0 >= 0 and y1 <= ny):
            raise InputError(
                f"{box}: reaches beyond the stack, whose pixels run from 0,0 to {nx},{ny}; stay within"
            )
        side = math.ceil(LEAST_SIDE * zoom)
        if min(x1 - x0, y1 - y0) < side:
            raise InputError(
                f"{box}: has {x1 - x0} x {y1 - y0} pixels, too few samples for shares; {side} x {side} are needed"
            )


def looked_at(run: Finished, boxes: Mapping[str, Box]) -> tuple[Regions, Ledger]:
    """Regions of the stack, and what the samples of every light say of them."""
    table = run.table
    found = regions.find_regions(run.layers.read, run.stars, boxes, table.full / table.zoom**2)
    for name in boxes:
        if name not in found.names:
            raise InputError(f"region {name}: no light covers it; choose it inside the picture")
    return found, _ledger(run, found)


def _ledger(run: Finished, found: Regions) -> Ledger:
    """Light and noise of the samples of every light in every region."""
    table, job = run.table, run.job
    tiles = region_samples.cut(table)
    job.progress.begin("samples", len(tiles))
    each = region_samples.pixel_bytes(table) * padded_pixels(tiles)
    threads = job.at_once(each)
    sums = region_samples.gathered(
        table, run.samples.read, run.layers, found, threads, job.progress.step, tiles
    )
    where = listed(found.names) or "no region: no pixel has red, green and blue samples"
    job.progress.end(f"samples of {len(run.frames)} lights looked at again in {where}")
    return contributions.ledger(sums, found, table)
