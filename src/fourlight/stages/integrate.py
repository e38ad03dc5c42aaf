"""Integration of one tile: samples are read, judged, and made into planes by drops or by least squares."""

from __future__ import annotations

from collections.abc import Callable

from fourlight.engine import nothing
from fourlight.recipe import Integrate
from fourlight.stages import tile_samples
from fourlight.stages.geometry import FrameTable, Tile
from fourlight.stages.stack_layers import Method, TileResult
from fourlight.stages.tile_samples import Reader

__all__ = ["STEPS", "integrate_tile"]

STEPS = 3
"""Samples are read, compared, and judged."""


def integrate_tile(
    tile: Tile, table: FrameTable, read: Reader, settings: Integrate,
    method: Method, told: Callable[[], None] = nothing,
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
    """
    found = tile_samples.load(tile, table, read)
    told()
    ref = tile_samples.reference(found, table)
    told()
    tile_samples.reject(found, table, ref, settings)
    told()
    planes = method.planes(found, ref.value, table)
    if table.zoom != 1:
        for plane in planes.values():
            plane.scale(1 / table.zoom**2)
    return TileResult(tile, planes, found.rejected, found.used, found.rejected_here)
