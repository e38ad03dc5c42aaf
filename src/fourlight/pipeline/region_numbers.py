"""What a finished stack says of a rectangle: light of each plane above the sky, with errors from its half stacks."""

from __future__ import annotations

import shlex
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from fourlight.core.blockmeans import Mean, block_sums, mean_of_blocks
from fourlight.core.cfa import PLANES
from fourlight.errors import InputError
from fourlight.io.fits_planes import planes_of
from fourlight.io.mapping import MappedPixels
from fourlight.pipeline.evidence_files import CHANNELS
from fourlight.pipeline.finished import check_there
from fourlight.pipeline.products import read_json
from fourlight.report.planes import PLANE_NAMES, unit
from fourlight.report.words import UNKNOWN, with_error

__all__ = ["BLOCK_PX", "Box", "light_of", "region_facts", "shares_of"]

Box = tuple[int, int, int, int]
"""Left, upper, right and lower edge in pixels of the stack."""

BLOCK_PX = 8
"""Side of a block: noise of the stack reaches two pixels or so from one to the next."""
LEAST_PX = 32
"""Side of a region."""
CLEAR = 3.0
"""Errors that the light of all planes must be above the sky for shares to be told."""
BAND_ROWS = 32 * BLOCK_PX
"""Rows that are read at a time."""
CHANCE = f"± is one standard error: how far the half stacks differ in blocks of {BLOCK_PX} px"
TOGETHER = "and what all lights may be off by together, as the run measured it for the object."
ALONE = "without what all lights may be off by together, such as the sky, which this run does not tell."
SHARES = (
    "Shares are of the light above the sky. On the raw samples of all lights, with information and detail:"
)


def region_facts(folder: Path, box: Box) -> dict[str, Any]:
    """Numbers of a region in words.

    Parameters
    ----------
    folder : Path
        Of the results of a run.
    box : Box

    Raises
    ------
    InputError
        The region is not on the stack or too small, or the stack or its halves cannot be read.
    """
    check_there(folder)
    shared = _off_together(folder)
    found = {
        name: replace(mean, error=float(np.hypot(mean.error, shared.get(name, 0.0))))
        for name, mean in light_of(folder, box).items()
    }
    shares = shares_of(found)
    summary = read_json(folder / "summary.json") or {}
    x0, y0, x1, y1 = box
    return {
        "title": f"Region of {x1 - x0} × {y1 - y0} px at {x0}, {y0}",
        "unit": unit(summary),
        "planes": [
            {"name": PLANE_NAMES[name], "light": _light(mean), "share": _share(shares[name])}
            for name, mean in found.items()
        ],
        "note": f"{CHANCE}, {TOGETHER if set(shared) >= set(found) else ALONE} {SHARES}",
        "command": f"fourlight channels {shlex.quote(str(folder))} --region name={x0},{y0},{x1},{y1}",
    }  # fmt: skip


def light_of(folder: Path, box: Box) -> dict[str, Mean]:
    """Mean light of each plane above the level of its sky, per pixel, with the error by chance alone.

    Raises
    ------
    InputError
    """
    stack, halves = planes_of(folder / "stack.fits"), planes_of(folder / "halves.fits")
    summary = read_json(folder / "summary.json") or {}
    names = [name for name in PLANES if name in stack and f"{name}_A" in halves and f"{name}_B" in halves]
    if not names:
        raise InputError(
            f"{folder}: stack and half stacks have no plane of {', '.join(PLANES)}; make the run again"
        )
    _check(box, stack[names[0]].shape)
    found = {}
    for name in names:
        mean = _mean(stack[name], (halves[f"{name}_A"], halves[f"{name}_B"]), box)
        sky = ((summary.get("planes") or {}).get(name) or {}).get("sky") or 0.0
        found[name] = Mean(mean.value - sky, mean.error, mean.apart)
    return found


def _off_together(folder: Path) -> dict[str, float]:
    """What the light of the object may be off by in all lights alike, per pixel and plane, as far as the run tells."""
    regions = (read_json(folder / CHANNELS) or {}).get("regions") or {}
    told = (regions.get("object") or {}).get("shared_error") or {}
    return {name: float(error) for name, error in told.items() if error is not None}


def _check(box: Box, shape: tuple[int, int]) -> None:
    x0, y0, x1, y1 = box
    ny, nx = shape
    if not (0 <= x0 < x1 <= nx and 0 <= y0 < y1 <= ny):
        raise InputError(
            f"region {x0},{y0},{x1},{y1}: edges must be left, upper, right and lower ones within 0,0 to {nx},{ny}"
        )
    if min(x1 - x0, y1 - y0) < LEAST_PX:
        raise InputError(
            f"the region is {x1 - x0} x {y1 - y0} px; errors need {LEAST_PX} x {LEAST_PX} px: choose a larger one"
        )


def _mean(plane: MappedPixels, halves: tuple[MappedPixels, MappedPixels], box: Box) -> Mean:
    """Of a rectangle of one plane, read in bands of whole blocks."""
    x0, y0, x1, y1 = box
    parts: list[list[npt.NDArray[np.float64]]] = [[], [], []]
    for top in range(y0, y1, BAND_ROWS):
        rows = (top, min(top + BAND_ROWS, y1), x0, x1)
        sums, counts = block_sums(plane.read(*rows), BLOCK_PX)
        first, second = (half.read(*rows) for half in halves)
        difference, both = block_sums((first - second) * np.float32(0.5), BLOCK_PX)
        with np.errstate(invalid="ignore"):
            difference = difference / np.where(both > 0, both, np.nan)
        for part, values in zip(parts, (sums, counts, difference), strict=True):
            part.append(values.ravel())
    return mean_of_blocks(*(np.concatenate(part) for part in parts))


def shares_of(light: Mapping[str, Mean]) -> dict[str, tuple[float, float] | None]:
    """Share of each plane in the light of all, with its error; None where all of it is lost in noise.

    >>> found = shares_of({"R": Mean(30.0, 1.0, 0.0), "B": Mean(10.0, 1.0, 0.0)})
    >>> [round(part, 3) for part in found["R"]]
    [0.75, 0.02]
    """
    values = np.array([mean.value for mean in light.values()])
    variance = np.array([mean.error for mean in light.values()]) ** 2
    total = values.sum()
    if not (np.isfinite(total) and total > CLEAR * np.sqrt(variance.sum())):
        return dict.fromkeys(light)
    share = values / total
    # of x / sum: (1 - s)^2 of its own variance, and s^2 of those of the others
    error = np.sqrt((1 - 2 * share) * variance + share**2 * variance.sum()) / total
    return {name: (float(s), float(e)) for name, s, e in zip(light, share, error, strict=True)}


def _light(mean: Mean) -> str:
    return with_error(mean.value, mean.error if np.isfinite(mean.error) else None)


def _share(share: tuple[float, float] | None) -> str:
    return UNKNOWN if share is None else f"{with_error(100 * share[0], 100 * share[1])} %"
