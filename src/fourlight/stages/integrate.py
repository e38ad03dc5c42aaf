"""Integration of one tile: samples are read, judged, and made into planes by drops or by least squares."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt

from fourlight.engine import nothing
from fourlight.recipe import Integrate
from fourlight.stages import tile_samples
from fourlight.stages.geometry import FrameTable, Tile
from fourlight.stages.stack_layers import Method, Sums, TileResult
from fourlight.stages.tile_samples import Reader, Reference, TileSamples
from fourlight.stages.tile_sums import TileSums, clearer

__all__ = ["STEPS", "integrate_tile"]

Float32 = npt.NDArray[np.float32]
Int64 = npt.NDArray[np.int64]

STEPS = 3
"""Samples of a batch are read, compared, and judged."""


def integrate_tile(
    tile: Tile, table: FrameTable, read: Reader, settings: Integrate,
    method: Method, told: Callable[[], None] = nothing, earlier: TileSums | None = None, keep: Path | None = None,
) -> TileResult:  # fmt: skip
    """All output planes and both halves of one tile.

    Parameters
    ----------
    tile, table, read
        As for `fourlight.stages.tile_samples.load`.
    settings : Integrate
    method : Method
        From `fourlight.stages.way.choose_way`.
    told : callable
        Called after each of `STEPS` steps of a batch, besides those of the method.
    earlier : TileSums or None
        Sums of other frames, to which these are added.
    keep : Path or None
        File for the sums of all.
    """
    seen = _Judged(earlier, tile)
    each = seen.batches(table, read, settings, method.batches(len(table.matrix)), told)
    sums: Sums | None = {} if keep else None
    planes = method.planes(each, table, earlier.halves if earlier else None, sums)
    if keep is not None and sums is not None:
        assert seen.reference is not None
        TileSums(seen.reference, sums, method.fine, seen.rejected, seen.used, seen.rejected_here).save(keep)
    if table.zoom != 1:
        for plane in planes.values():
            plane.scale(1 / table.zoom**2)
    return TileResult(tile, planes, seen.rejected, seen.used, seen.rejected_here)


class _Judged:
    """Samples of a tile, batch by batch, and what is known of all that have been seen."""

    def __init__(self, earlier: TileSums | None, tile: Tile) -> None:
        self._tile = tile
        self.reference: Reference | None = earlier.reference if earlier else None
        shape = (tile.y1 - tile.y0, tile.x1 - tile.x0)
        none = np.zeros(4, dtype=np.int64)
        self.rejected, self.used = (earlier.rejected, earlier.used) if earlier else (none, none)
        self.rejected_here = earlier.rejected_here if earlier else np.zeros(shape, dtype=np.float32)

    def batches(
        self, table: FrameTable, read: Reader, settings: Integrate, batches: Sequence[Int64],
        told: Callable[[], None],
    ) -> Iterator[tuple[TileSamples, Float32]]:  # fmt: skip
        """Samples of each batch, and the reference that they were held against: the best there is by then."""
        for rows in batches:
            found = tile_samples.load(self._tile, table, read, rows.tolist())
            told()
            ref = tile_samples.reference(found, table)
            if self.reference is not None:
                ref = clearer(self.reference, ref)
            told()
            tile_samples.reject(found, table, ref, settings)
            told()
            self.reference = ref
            self.rejected, self.used = self.rejected + found.rejected, self.used + found.used
            self.rejected_here = self.rejected_here + found.rejected_here
            yield found, ref.value
            del found  # before the next are read
