"""Integration of one tile: samples are read, judged, and made into planes by drops or by least squares."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from fourlight.engine import nothing
from fourlight.recipe import Integrate
from fourlight.stages import tile_samples
from fourlight.stages.geometry import FrameTable, Tile
from fourlight.stages.stack_layers import Method, Sums, TileResult
from fourlight.stages.tile_samples import Reader
from fourlight.stages.tile_sums import TileSums, clearer

__all__ = ["STEPS", "integrate_tile"]

STEPS = 3
"""Samples are read, compared, and judged."""


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
        Called after each of `STEPS` steps, besides those of the method.
    earlier : TileSums or None
        Sums of other frames, to which these are added.
    keep : Path or None
        File for the sums of all.
    """
    found = tile_samples.load(tile, table, read)
    told()
    ref = tile_samples.reference(found, table)
    if earlier is not None:
        ref = clearer(earlier.reference, ref)
    told()
    tile_samples.reject(found, table, ref, settings)
    told()
    sums: Sums | None = {} if keep else None
    planes = method.planes(found, ref.value, table, earlier.halves if earlier else None, sums)
    if earlier is not None:
        earlier.count(found)
    if keep is not None and sums is not None:
        TileSums(ref, sums, method.fine, found.rejected, found.used, found.rejected_here).save(keep)
    if table.zoom != 1:
        for plane in planes.values():
            plane.scale(1 / table.zoom**2)
    return TileResult(tile, planes, found.rejected, found.used, found.rejected_here)
