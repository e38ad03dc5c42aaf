"""Drizzle of the samples of a tile: each colour plane from its own samples, as drops (Fruchter & Hook 2002)."""

from __future__ import annotations

from typing import Any, ClassVar

import numpy as np
import numpy.typing as npt

from fourlight.core import drizzle
from fourlight.core.cfa import PLANES
from fourlight.core.overlap import overlap_table, span
from fourlight.errors import StageError
from fourlight.stages.geometry import HALO, FrameTable
from fourlight.stages.stack_layers import GROUPS, PlaneLayers
from fourlight.stages.tile_samples import TileSamples

__all__ = ["Drops"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]

MOST_TABLES = 64
"""Overlap tables kept at once, a megabyte each."""

MOST_CORRELATED = 2.0
"""Largest variance of a single pixel over VAR that counts."""


SLIVER = 0.001
"""Effective samples under which a pixel is not covered: what the corner of a drop says of it has hardly any VAR."""


class _Overlaps:
    """Overlap tables of all frames, made once; frames whose maps turn and stretch alike share one.

    Parts that differ by less than 1/4000 share a table. Where that still takes too many (a field that turns all
    night), the tables are made coarser: at a thousand times that step a drop's corner is off by a tenth of a pixel.
    """

    def __init__(self, matrices: Float64, pixfrac: float) -> None:
        linear = matrices[:, :, :2].reshape(len(matrices), 4)
        step = 1 / 2000
        while len(np.unique(np.round(linear / step), axis=0)) > MOST_TABLES:
            step *= 2
        keys, self._index = np.unique(np.round(linear / step), axis=0, return_inverse=True)
        self._tables = [overlap_table((key * step).reshape(2, 2), pixfrac) for key in keys]

    def of(self, frame: int) -> Float32:
        """Table of a frame, by its row of the frame table."""
        return self._tables[int(self._index[frame])]


class Drops:
    """Drizzle with drops of one size."""

    FIXED_BYTES: ClassVar[int] = 400
    """Memory per pixel of a tile that does not depend on the number of frames."""

    def __init__(self, table: FrameTable, pixfrac: float) -> None:
        widest = max(span(matrix[:, :2], pixfrac) for matrix in table.matrix)
        if 2 * widest - 1 > HALO:
            raise StageError(
                "integrate", None, f"drops of {pixfrac:g} px of the coarsest frame span {widest} px of the stack",
                f"{(HALO + 1) // 2} at most: choose a coarser frame as registration.reference or smaller drops",
            )  # fmt: skip
        self._overlaps = _Overlaps(table.matrix, pixfrac)
        self._claim = _claim(table, pixfrac)

    def planes(
        self, found: TileSamples, ref: Float32, table: FrameTable, cell: Int64
    ) -> dict[str, PlaneLayers]:
        """All output planes of a tile."""
        out: dict[str, PlaneLayers] = {}
        for group in GROUPS:
            indices = [PLANES.index(name) for name in group]
            drops = {plane: _drops(found, ref, table, cell, plane, self._overlaps) for plane in indices}
            sums = {plane: _summed(found, table, drops[plane]) for plane in indices}
            whole = np.add.reduce(list(sums.values()))
            power = {plane: _power(found, table, drops[plane], sums[plane], whole) for plane in indices}
            for name, plane in zip(group, indices, strict=True):
                out[name] = _finished(sums[plane], power[plane][..., :2], self._claim)
            if len(group) > 1:
                out["G"] = _finished(whole, np.add.reduce(list(power.values()))[..., 2:], self._claim)
        return out


Arguments = list[tuple[Any, ...]]


def _drops(
    found: TileSamples,
    ref: Float32,
    table: FrameTable,
    cell: Int64,
    plane: int,
    overlaps: _Overlaps,
) -> Arguments:
    """What both deposits of one plane need of every frame."""
    return [
        (
            *found.values(k), found.bad[k], *found.origin(k), table.bend[f, plane], cell, plane,
            overlaps.of(f), table.floor[f, plane], table.level[plane], table.merit[f, plane], ref[plane],
            *found.offset,
        )
        for k, f in enumerate(found.frames)
    ]  # fmt: skip


def _summed(found: TileSamples, table: FrameTable, drops: Arguments) -> Float32:
    """(2, ph, pw, 4) sums of each half."""
    sums = np.zeros((2, *found.padded_shape, 4), dtype=np.float32)
    for arguments, h in zip(drops, table.half[found.frames], strict=True):
        drizzle.deposit_values(*(*arguments, sums[h]))
    return sums


def _power(found: TileSamples, table: FrameTable, drops: Arguments, own: Float32, whole: Float32) -> Float32:
    """(2, ph, pw, 4) noise power that each half's samples add to: the plane, its half, the group, its half."""
    power = np.zeros_like(own)
    for h in range(2):
        weights = np.stack(
            [own[..., 1].sum(axis=0), own[h, ..., 1], whole[..., 1].sum(axis=0), whole[h, ..., 1]], -1
        )
        with np.errstate(divide="ignore"):
            inverse = np.where(weights > 0, np.float32(1) / weights, np.float32(0))
        for arguments, half in zip(drops, table.half[found.frames], strict=True):
            if half == h:
                drizzle.deposit_variance(*(*arguments, inverse, power[h]))
    return power


def _claim(table: FrameTable, pixfrac: float) -> float:
    """Factor on VAR that shares the rim effect of 8 x 8 blocks evenly between them and larger areas."""
    scale = float(np.sqrt(np.median(np.abs(np.linalg.det(table.matrix[:, :, :2])))))
    return float(np.sqrt(drizzle.area_factor(pixfrac * scale, 8)))


def _finished(sums: Float32, power: Float32, claim: float) -> PlaneLayers:
    """Layers of one plane from its sums (2, ph, pw, 4) and noise power (2, ph, pw, 2: plane, half)."""
    inner = (slice(HALO, -HALO), slice(HALO, -HALO))
    sums, power = sums[:, *inner], power[:, *inner] * np.float32(claim)
    both = sums.sum(axis=0)
    there, covered = _effective(both), [_effective(half) for half in sums]
    with np.errstate(divide="ignore", invalid="ignore"):
        layers = {
            "value": np.where(there > 0, both[..., 0] / both[..., 1], np.nan),
            "variance": np.where(there > 0, power[..., 0].sum(axis=0), np.nan),
            "samples": there,
        }
        for h, half in enumerate("ab"):
            layers[f"value_{half}"] = np.where(covered[h] > 0, sums[h, ..., 0] / sums[h, ..., 1], np.nan)
            layers[f"variance_{half}"] = np.where(covered[h] > 0, power[h, ..., 1], np.nan)
        ratio = both[..., 3] / both[..., 1] ** 2 / layers["variance"]
    # Pixels beside holes have next to no VAR: cut off, they would outweigh all others.
    good = np.minimum(ratio[np.isfinite(ratio)], MOST_CORRELATED)
    noise = (float(good.sum(dtype=np.float64)), good.size)
    return PlaneLayers({key: layer.astype(np.float32) for key, layer in layers.items()}, noise)


def _effective(sums: Float32) -> Float32:
    """Effective samples per pixel; 0 where less than `SLIVER` of one reaches it."""
    with np.errstate(divide="ignore", invalid="ignore"):
        number = sums[..., 1] ** 2 / sums[..., 2]
    return np.where(number >= SLIVER, number, 0).astype(np.float32)
