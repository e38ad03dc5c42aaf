"""Drizzle of the samples of a tile: each colour plane from its own samples, as drops (Fruchter & Hook 2002)."""

from __future__ import annotations

from typing import Any, ClassVar

import numpy as np
import numpy.typing as npt

from fourlight.core import drizzle, sums
from fourlight.core.cfa import PLANES
from fourlight.core.overlap import overlap_table, span
from fourlight.errors import StageError
from fourlight.stages.geometry import HALO, FrameTable
from fourlight.stages.stack_layers import GROUPS, LAYERS, PlaneLayers
from fourlight.stages.tile_samples import TileSamples

__all__ = ["Drops"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]

MOST_TABLES = 64
"""Overlap tables kept at once, a megabyte each."""


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

    def planes(self, found: TileSamples, ref: Float32, table: FrameTable) -> dict[str, PlaneLayers]:
        """All output planes of a tile."""
        out: dict[str, PlaneLayers] = {}
        # New memory costs more than what is done in it: all groups use the same.
        most = max(len(group) for group in GROUPS)
        own, power = (np.empty((most, 2, *found.padded_shape, 4), dtype=np.float32) for _ in range(2))
        inverse = np.empty(own.shape[2:], dtype=np.float32)
        for group in GROUPS:
            indices = [PLANES.index(name) for name in group]
            drops = [_drops(found, ref, table, plane, self._overlaps) for plane in indices]
            for part, some in zip(own, drops, strict=False):
                _lay_values(some, part)
            for n, some in enumerate(drops):
                _lay_noise(some, own[: len(group)], n, inverse, power[n])
            for n, name in enumerate(group):
                out[name] = _finished(own[n], power[n], 0, self._claim)
            if len(group) > 1:
                own[0] += own[1]
                power[0] += power[1]
                out["G"] = _finished(own[0], power[0], 2, self._claim)
        return out


Arguments = list[tuple[int, tuple[Any, ...]]]


def _drops(
    found: TileSamples,
    ref: Float32,
    table: FrameTable,
    plane: int,
    overlaps: _Overlaps,
) -> Arguments:
    """The half that each frame is in, and what both deposits of one plane need of it."""
    return [
        (
            int(table.half[f]),
            (
                *found.values(k), found.bad[k], *found.origin(k), table.bend[f, plane], table.cell[f], plane,
                overlaps.of(f), table.floor[f, plane], table.level[plane], table.merit[f, plane], ref[plane],
                *found.offset,
            ),
        )
        for k, f in enumerate(found.frames)
    ]  # fmt: skip


def _lay_values(drops: Arguments, own: Float32) -> None:
    """Write the sums of each half to (2, ph, pw, 4)."""
    own[:] = 0
    for half, arguments in drops:
        drizzle.deposit_values(*(*arguments, own[half]))


def _lay_noise(drops: Arguments, own: Float32, plane: int, inverse: Float32, power: Float32) -> None:
    """Write the noise power that samples of each half add to (2, ph, pw, 4): the plane, its half, both of the group.

    ``own`` (n, 2, ph, pw, 4) holds the sums of all planes of the group.
    """
    power[:] = 0
    for part in range(2):
        sums.inverse_weights(own, plane, part, inverse)
        for half, arguments in drops:
            if half == part:
                drizzle.deposit_variance(*(*arguments, inverse, power[part]))


def _claim(table: FrameTable, pixfrac: float) -> float:
    """Factor on VAR that shares the rim effect of 8 x 8 blocks evenly between them and larger areas."""
    scale = float(np.sqrt(np.median(np.abs(np.linalg.det(table.matrix[:, :, :2])))))
    return float(np.sqrt(drizzle.area_factor(pixfrac * scale, 8)))


def _finished(own: Float32, power: Float32, lane: int, claim: float) -> PlaneLayers:
    """Layers of one plane from its sums and noise power (2, ph, pw, 4), the latter from ``lane`` on."""
    _, ph, pw, _ = own.shape
    layers = np.empty((len(LAYERS), ph - 2 * HALO, pw - 2 * HALO), dtype=np.float32)
    noise = sums.finish(own, power, lane, claim, HALO, layers)
    return PlaneLayers(dict(zip(LAYERS, layers, strict=True)), noise)
