"""Two stacks of the same place laid against each other: that of a run, and that of its what-if."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from fourlight.core import maps
from fourlight.core.cfa import COLOURS
from fourlight.pipeline.finished import Finished, StackFiles
from fourlight.stages.empty_sky import burnt_pixels, empty_sky, star_masks
from fourlight.stages.region_samples import StackReader
from fourlight.stages.whatif_snr import BLOCK_PX, Gain, Regions, compared, regions_on, seen_blocks

__all__ = ["Pair", "pair_of", "regions_of"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Pair:
    """Both stacks."""

    gains: dict[str, Gain]
    before: dict[str, Float32]
    """R, G, B."""
    after: dict[str, Float32]
    """The same on the grid of the first, in its light; without a channel that is left out."""
    sky: dict[str, tuple[float, float]]
    """Level of the empty sky in both, in the light of the first stack; of a channel left out, the old one twice."""
    patch_px: float
    """Pixels of the stack in a block."""


def pair_of(
    found: Finished, summary: Mapping[str, Any], layers: StackFiles | None, after: Mapping[str, Any],
    renamed: Mapping[str, str], without: str | None,
) -> Pair:  # fmt: skip
    """Lay the stacks against each other.

    Parameters
    ----------
    found : Finished
        The run.
    summary, after : mapping
        Content of ``summary.json`` of both.
    layers : StackFiles or None
        The other stack; None: it is the same one.
    renamed : mapping
        Path of an old light by that of the new one that was made of it.
    without : str or None
        Channel that is left out of the other stack.
    """
    values = {c: found.layers.read(c, "value") for c in COLOURS}
    regions = regions_of(found)
    other: StackReader = layers or found.layers
    forward, scale, doubt = np.eye(2, 3), dict.fromkeys(COLOURS, 1.0), 0.0
    if layers:
        forward, scale, doubt = _between(summary, after, renamed)
    there = regions
    shape = other.read("G", "value").shape
    if layers is not None:
        there = regions_on(regions, shape, maps.inverse(forward))
    planes = {c: c for c in COLOURS if c != without}
    if without in ("G1", "G2"):
        planes["G"] = "G2" if without == "G1" else "G1"
    one = {c: seen_blocks(found.layers, c, regions) for c in COLOURS}
    two = {c: seen_blocks(other, plane, there) for c, plane in planes.items()}
    laid = {c: _laid(other.read(plane, "value"), values["G"].shape, forward) * np.float32(scale[c])
            for c, plane in planes.items()}  # fmt: skip
    levels = {c: _level(values[c], regions.sky) for c in COLOURS}
    return Pair(
        compared(one, two, scale, doubt),
        {c: values[c] for c in COLOURS},
        laid,
        {c: (levels[c], _level(laid[c], regions.sky) if c in laid else levels[c]) for c in COLOURS},
        float(BLOCK_PX**2),
    )


def regions_of(found: Finished) -> Regions:
    """Empty sky and object of a stack, away from stars and full pixels."""
    values = {plane: found.layers.read(plane, "value") for plane in ("R", "G1", "G2", "B", "G")}
    near = star_masks(found.stars, values["G"].shape).near
    hidden = near | burnt_pixels(values, found.table.full / found.table.zoom**2)
    empty = empty_sky(values, hidden)
    ny, nx = hidden.shape
    whole = np.ones((empty.side, empty.side), dtype=bool)
    sky, thing = (np.kron(part, whole)[:ny, :nx] for part in (empty.use, empty.above))
    return Regions(sky & ~hidden, thing & ~hidden)


def _level(plane: Float32, sky: npt.NDArray[np.bool_]) -> float:
    inside = plane[sky & np.isfinite(plane)]
    return float(np.median(inside if inside.size else plane[np.isfinite(plane)]))


def _between(
    summary: Mapping[str, Any], after: Mapping[str, Any], renamed: Mapping[str, str]
) -> tuple[Float64, dict[str, float], float]:
    """Map from pixels of the first stack to those of the second, its unit in that of the first, and the error of that.

    Both by the lights that went into both: where each lies, and how much light it has against the reference.
    """
    old = {frame["path"]: frame for frame in summary["frames"]}
    pairs = [
        (old[renamed.get(frame["path"], frame["path"])], frame)
        for frame in after["frames"]
        if renamed.get(frame["path"], frame["path"]) in old
    ]
    reference = after["grid"]["reference"]
    first, second = next((pair for pair in pairs if pair[1]["file"] == reference), pairs[0])
    forward = maps.composed(maps.inverse(np.array(first["matrix"])), np.array(second["matrix"]))
    if first["file"] == summary["grid"]["reference"] and second["file"] == reference:
        forward = np.eye(2, 3)
    scale, errors = {}, []
    for colour, planes in {"R": ("R",), "G": ("G1", "G2"), "B": ("B",)}.items():
        # of the reference too: what its stars are wrong by is the unit of the whole stack
        seen = [[np.mean([frame["transparency"][p] for p in planes]) for frame in pair] for pair in pairs]
        ratios = [new / old for old, new in seen]
        scale[colour] = float(np.mean(ratios))
        errors.append(float(np.std(ratios, ddof=1) / np.sqrt(len(ratios))) if len(ratios) > 1 else 0.0)
    return forward, scale, max(errors)


def _laid(plane: Float32, shape: tuple[int, ...], forward: Float64) -> Float32:
    """A plane on the grid of the first stack, by the nearest pixel: for pictures."""
    if np.array_equal(forward, np.eye(2, 3)) and plane.shape == shape:
        return plane
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]].astype(np.float64)
    i, j = (np.rint(part).astype(int) for part in maps.apply(forward, x, y))
    inside = (i >= 0) & (i < plane.shape[1]) & (j >= 0) & (j < plane.shape[0])
    out = plane[np.clip(j, 0, plane.shape[0] - 1), np.clip(i, 0, plane.shape[1] - 1)]
    return np.where(inside, out, np.float32(np.nan))
