"""Raw samples of all frames, region by region of the finished stack: one more look at every one of them."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

import numpy as np
import numpy.typing as npt

from fourlight.core import starlet
from fourlight.core.cfa import PLANES
from fourlight.core.regionsums import PARTS, region_sums
from fourlight.engine import in_order
from fourlight.stages import geometry, tile_samples
from fourlight.stages.geometry import HALO, FrameTable, Tile
from fourlight.stages.regions import Regions
from fourlight.stages.tile_samples import Reader

__all__ = ["FINE_SCALES", "StackReader", "cut", "gathered", "pixel_bytes"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]

FINE_SCALES = 2
"""Scales of the starlet, in pixels of the reference, that count as fine detail: what varies within some 4 px."""

TOGETHER = 64
"""Lights that are read at a time: the more, the smaller the tiles that hold them, and the more their halos cost."""

PLANE_BYTES = 4 * 4 * 8 + 16
"""Of halves and their smooth light, per pixel of a tile, while they are made."""


class StackReader(Protocol):
    """The layers of a finished stack."""

    def read(self, plane: str, layer: str) -> Float32:
        """One layer (ny, nx) by plane, and name from `fourlight.stages.stack_layers.LAYERS`."""


def pixel_bytes(table: FrameTable) -> float:
    """Memory per pixel of a tile with its halo."""
    samples = max(geometry.samples_beneath(table.rows(rows)) for rows in _batches(len(table.matrix)))
    return geometry.BYTES_PER_SAMPLE * samples + PLANE_BYTES


def _batches(count: int) -> list[list[int]]:
    """Rows of so many lights, some at a time."""
    return [rows.tolist() for rows in np.array_split(np.arange(count), max(1, -(-count // TOGETHER)))]


def cut(table: FrameTable) -> list[Tile]:
    """Tiles of one piece of work each."""
    return geometry.tiles(table.shape, pixel_bytes(table))


def gathered(
    table: FrameTable, read: Reader, stack: StackReader, regions: Regions, threads: int,
    told: Callable[[], None], tiles: list[Tile],
) -> Float64:  # fmt: skip
    """Sums over the samples of each frame, plane and region: (f, 4, r, PARTS), see `fourlight.core.regionsums`.

    Parameters
    ----------
    table : FrameTable
    read : callable
        Calibrated samples of a rectangle of a frame.
    stack : StackReader
        Its halves.
    regions : Regions
    threads : int
    told : callable
        Called after each tile.
    tiles : list of Tile
        From `cut`.
    """
    total = np.zeros((len(table.matrix), 4, len(regions.names), PARTS))

    def work(tile: Tile) -> Float64:
        if not regions.labels[tile.y0 : tile.y1, tile.x0 : tile.x1].any():
            return np.zeros(0)
        return _of_tile(tile, table, read, stack, regions)

    for sums in in_order(work, tiles, threads):
        total += sums if sums.size else 0.0
        told()
    return total


def _of_tile(
    tile: Tile, table: FrameTable, read: Reader, stack: StackReader, regions: Regions
) -> Float64:  # fmt: skip
    halves = _halves(tile, table, stack)
    scales = _fine_scales(table.zoom)
    smooth = [np.stack([starlet.smooth_known(plane, scales) for plane in half]) for half in halves]
    labels = np.zeros(halves[0].shape[1:], dtype=np.uint16)
    labels[HALO:-HALO, HALO:-HALO] = regions.labels[tile.y0 : tile.y1, tile.x0 : tile.x1]
    sums = np.zeros((len(table.matrix), 4, len(regions.names), PARTS))
    spread = 1 + min(1.0, 8 / len(table.matrix))
    for rows in _batches(len(table.matrix)):
        found = tile_samples.load(tile, table, read, rows)
        for k, f in enumerate(found.frames):
            own, other = table.half[f], 1 - table.half[f]
            region_sums(
                *found.values(k), *found.origin(k), table.bend[f], table.cell[f], halves[own], halves[other],
                smooth[own], smooth[other], labels, *found.offset, table.floor[f], spread, sums[f],
            )  # fmt: skip
        del found  # before the next are read
    return sums


def _halves(tile: Tile, table: FrameTable, stack: StackReader) -> list[Float32]:
    """Both halves (4, ph, pw) of a tile with its halo, in the unit of normalised samples; NaN off the stack."""
    ny, nx = table.shape
    shape = (4, tile.y1 - tile.y0 + 2 * HALO, tile.x1 - tile.x0 + 2 * HALO)
    y0, y1, x0, x1 = (
        max(tile.y0 - HALO, 0), min(tile.y1 + HALO, ny), max(tile.x0 - HALO, 0), min(tile.x1 + HALO, nx)
    )  # fmt: skip
    inside = (
        slice(y0 - tile.y0 + HALO, y1 - tile.y0 + HALO),
        slice(x0 - tile.x0 + HALO, x1 - tile.x0 + HALO),
    )
    out = []
    for half in ("a", "b"):
        planes = np.full(shape, np.nan, dtype=np.float32)
        for k, plane in enumerate(PLANES):
            planes[k][inside] = stack.read(plane, f"value_{half}")[y0:y1, x0:x1]
        out.append(planes if table.zoom == 1 else planes * np.float32(table.zoom**2))
    return out


def _fine_scales(zoom: float) -> int:
    """Scales of fine detail in pixels of the stack."""
    return max(1, FINE_SCALES + round(float(np.log2(zoom))))
