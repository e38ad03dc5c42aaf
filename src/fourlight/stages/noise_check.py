"""Checking the noise of every frame on what the frames themselves disagree about.

The noise measured inside a frame also holds the unresolved stars and the grain of the nebula. These are common
to all frames and drop out of the residuals from the reference, so the residuals say what the noise really is.
How wide residuals of pure noise would be, with the same frames at the same places, is found by putting pure
noise through the same steps.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from fourlight.core import rejection, samples
from fourlight.core.spread import core_spread
from fourlight.stages import tile_samples
from fourlight.stages.frame_facts import FEWEST_FRAMES
from fourlight.stages.geometry import FrameTable, Tile, patch_side
from fourlight.stages.tile_samples import Reader, TileSamples

__all__ = ["noise_factors", "with_noise"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]

PATCHES = 4
"""Patches along each axis of the stack."""

GROUP = 100
"""Frames that are compared with each other: of more, every second, third, ... one are, so that memory is bounded."""

ENOUGH = 500
"""Samples that a factor needs."""

MOST_KEPT = 100_000
"""Residuals kept per patch and plane, over all frames; never fewer than 256 of a frame."""

SEED = 20
"""The pure noise is the same in every run."""


@dataclasses.dataclass(frozen=True, slots=True)
class _Residuals:
    """Residuals of all frames in one block, which goes back to the system whole; thousands of small arrays do not."""

    kept: Float32
    """(f, 4, patch, residual); only the first ``count`` of each patch are set."""
    count: Int64
    """(f, 4, patch)."""

    @classmethod
    def none(cls, frames: int, patches: int) -> _Residuals:
        """Room for residuals that are still to come."""
        most = int(np.clip(MOST_KEPT // frames, 256, 2000))
        shape = (frames, 4, patches)
        return cls(np.empty((*shape, most), dtype=np.float32), np.zeros(shape, dtype=np.int64))

    def keep(self, f: int, plane: int, patch: int, seen: Float32) -> None:
        """Residuals of one frame on one patch, evenly thinned to what there is room for."""
        thinned = seen[:: max(-(-len(seen) // self.kept.shape[-1]), 1)]
        self.kept[f, plane, patch, : len(thinned)] = thinned
        self.count[f, plane, patch] = len(thinned)

    def of(self, f: int, plane: int) -> Float32:
        """Those of all patches."""
        return np.concatenate(
            [kept[:n] for kept, n in zip(self.kept[f, plane], self.count[f, plane], strict=True)]
        )


def noise_factors(table: FrameTable, read: Reader) -> Float64:
    """Variance of the residuals over the expected one, per frame and plane (f, 4); 1 where it cannot be told."""
    frames = len(table.matrix)
    if frames < FEWEST_FRAMES:
        return np.ones((frames, 4))
    out, groups = np.empty((frames, 4)), -(-frames // GROUP)
    for first in range(groups):
        rows = range(first, frames, groups)
        out[rows] = _factors(table.rows(rows), read_rows(read, rows))
    return out


def read_rows(read: Reader, rows: Sequence[int]) -> Reader:
    """Samples of some of the frames, by their number among these."""
    return lambda f, *box: read(rows[f], *box)


def _factors(table: FrameTable, read: Reader) -> Float64:
    """The factors of frames that are compared with each other."""
    frames = len(table.matrix)
    patches = _patches(table.shape, patch_side(table))
    seen, null = (_Residuals.none(frames, len(patches)) for _ in range(2))
    random = np.random.default_rng(SEED)
    for patch, tile in enumerate(patches):
        found = tile_samples.load(tile, table, read)
        _collect(found, table, seen, patch)
        _fill_with_noise(found, table, random)
        _collect(found, table, null, patch)
    return np.array(
        [[_factor(seen.of(f, plane), null.of(f, plane)) for plane in range(4)] for f in range(frames)]
    )


def _patches(shape: tuple[int, int], side: int) -> list[Tile]:
    ny, nx = shape
    side = min(side, ny, nx)
    return [
        Tile(y, y + side, x, x + side)
        for y in np.linspace(0.1 * (ny - side), 0.9 * (ny - side), PATCHES).astype(int).tolist()
        for x in np.linspace(0.1 * (nx - side), 0.9 * (nx - side), PATCHES).astype(int).tolist()
    ]


def _collect(found: TileSamples, table: FrameTable, into: _Residuals, patch: int) -> None:
    """Keep the residuals of a patch from its reference, in the flatter half of each plane."""
    ref = tile_samples.reference(found, table).value
    for plane in range(4):
        ranges = samples.spread(ref[plane])
        flat = float(np.median(ranges))
        for k, f in enumerate(found.frames):
            seen = rejection.residuals(
                *found.values(k), *found.origin(k), table.bend[f, plane], table.cell[f], plane, ref[plane], ranges,
                *found.offset, table.floor[f, plane], flat,
            )  # fmt: skip
            into.keep(f, plane, patch, seen)


def _fill_with_noise(found: TileSamples, table: FrameTable, random: np.random.Generator) -> None:
    """Replace the samples by the sky of the reference plus noise of the expected variance."""
    for k, f in enumerate(found.frames):
        cell = table.cell[f]
        rect, base, slope = found.values(k)
        (y0, x0), (h, w) = found.origin(k), rect.shape
        level = table.level[cell[(y0 + np.arange(h))[:, None] % 2, (x0 + np.arange(w))[None, :] % 2]]
        sigma = np.sqrt(np.maximum(base + slope * level, 0.0))
        rect[:] = level + sigma * random.standard_normal(rect.shape) + 0.0 * rect


def _factor(seen: Float32, null: Float32) -> float:
    """Ratio of two variances, each of the normal core of its values."""
    if min(len(seen), len(null)) < ENOUGH:
        return 1.0
    _, width = core_spread(seen.astype(np.float64))
    _, expected = core_spread(null.astype(np.float64))
    return float(np.clip((width / expected) ** 2, 0.5, 2.0))


def with_noise(table: FrameTable, factor: Float64, response: Float64, level: Float64) -> FrameTable:
    """The table with each frame's variance at its sky level multiplied by ``factor`` (f, 4).

    ``response`` and ``level`` (f, 4) are the median flat response and the sky of each frame, as given to
    `fourlight.stages.table.frame_table`.
    """
    sky = table.poisson[:, None] * level * response
    return dataclasses.replace(
        table,
        dark=(table.dark + sky) * factor - sky,
        floor=table.floor * factor,
        weight=table.weight / factor,
    )
