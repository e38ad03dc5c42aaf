"""Integration of the samples of a tile: each colour plane from its own samples, by drizzle."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from fourlight.core import drizzle
from fourlight.core.cfa import PLANES
from fourlight.core.overlap import overlap_table
from fourlight.recipe import Integrate
from fourlight.stages import tile_samples
from fourlight.stages.geometry import HALO, FrameTable, Tile
from fourlight.stages.least_squares import least_squares_planes
from fourlight.stages.tile_samples import Reader, TileSamples

__all__ = ["LAYERS", "OUTPUT_PLANES", "Overlaps", "TileResult", "integrate_tile"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]

OUTPUT_PLANES = ("R", "G1", "G2", "B", "G")
"""Planes of the stack; G is made from the samples of both greens."""

GROUPS = (("R",), ("G1", "G2"), ("B",))
"""Mosaic planes whose samples are also put together."""

FINE_BELOW_PX = 2.5
"""Star width under which least squares gathers samples on thirds of a pixel instead of halves."""

LAYERS = ("value", "variance", "samples", "value_a", "variance_a", "value_b", "variance_b")
"""What is known of each output plane: the stack, and its two half stacks."""


@dataclass(slots=True)
class TileResult:
    """Finished layers of one tile."""

    tile: Tile
    layers: dict[str, dict[str, Float32]] = field(default_factory=dict)
    """``layers[plane][layer]``: (y1 - y0, x1 - x0) float32."""
    pixel_noise: dict[str, tuple[float, int]] = field(default_factory=dict)
    """Per plane: median of pixel variance over VAR times the number of pixels, and that number."""
    rejected: Int64 = field(default_factory=lambda: np.zeros(4, dtype=np.int64))
    used: Int64 = field(default_factory=lambda: np.zeros(4, dtype=np.int64))


class Overlaps:
    """Overlap tables, shared by frames whose maps turn and stretch alike."""

    def __init__(self) -> None:
        self._tables: dict[tuple[float, ...], Float32] = {}

    def get(self, linear: Float64, pixfrac: float) -> Float32:
        """Table for the linear part of a map; parts that differ by less than 1/4000 share one."""
        key = (pixfrac, *(round(float(v) * 2000) / 2000 for v in linear.ravel()))
        table = self._tables.get(key)
        if table is None:
            table = overlap_table(np.array(key[1:]).reshape(2, 2), pixfrac)
            self._tables[key] = table
        return table


def integrate_tile(
    tile: Tile, table: FrameTable, shapes: list[tuple[int, int]], cell: Int64, read: Reader, settings: Integrate,
    pixfrac: float, overlaps: Overlaps,
) -> TileResult:  # fmt: skip
    """All output planes and both halves of one tile.

    Parameters
    ----------
    tile, table, shapes, cell, read
        As for `fourlight.stages.tile_samples.load`.
    settings : Integrate
    pixfrac : float
        Side of a drop in frame pixels.
    overlaps : Overlaps
    """
    found = tile_samples.load(tile, table, shapes, cell, read)
    ref, scatter = tile_samples.reference(found, table, cell)
    tile_samples.reject(found, table, cell, ref, scatter, settings)
    out = TileResult(tile, rejected=found.rejected, used=found.used)
    if settings.method == "least-squares":
        fine = 3 if table.fwhm_px.min() < FINE_BELOW_PX else 2
        out.layers, out.pixel_noise = least_squares_planes(found, ref, table, cell, fine)
        return out
    claim = _claim(table, pixfrac)
    for group in GROUPS:
        planes = [PLANES.index(name) for name in group]
        drops = {plane: _drops(found, ref, table, cell, plane, pixfrac, overlaps) for plane in planes}
        sums = {plane: _summed(found, table, drops[plane]) for plane in planes}
        whole = np.add.reduce(list(sums.values()))
        power = {plane: _power(found, table, drops[plane], sums[plane], whole) for plane in planes}
        for name, plane in zip(group, planes, strict=True):
            _finish(out, name, sums[plane], power[plane][..., :2], claim)
        if len(group) > 1:
            _finish(out, "G", whole, np.add.reduce(list(power.values()))[..., 2:], claim)
    return out


Drops = list[tuple[Any, ...]]


def _drops(
    found: TileSamples,
    ref: Float32,
    table: FrameTable,
    cell: Int64,
    plane: int,
    pixfrac: float,
    overlaps: Overlaps,
) -> Drops:
    """What both deposits of one plane need of every frame."""
    return [
        (
            *found.values(k), found.bad[k], *found.origin(k), table.matrix[f], cell, plane,
            overlaps.get(table.matrix[f, :, :2], pixfrac), table.floor[f, plane], table.level[plane], ref[plane],
            *found.offset,
        )
        for k, f in enumerate(found.frames)
    ]  # fmt: skip


def _summed(found: TileSamples, table: FrameTable, drops: Drops) -> Float32:
    """(2, ph, pw, 4) sums of each half."""
    sums = np.zeros((2, *found.padded_shape, 4), dtype=np.float32)
    for arguments, h in zip(drops, table.half[found.frames], strict=True):
        drizzle.deposit_values(*(*arguments, sums[h]))
    return sums


def _power(found: TileSamples, table: FrameTable, drops: Drops, own: Float32, whole: Float32) -> Float32:
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


def _finish(out: TileResult, name: str, sums: Float32, power: Float32, claim: float) -> None:
    """Layers of one plane from its sums (2, ph, pw, 4) and noise power (2, ph, pw, 2: plane, half)."""
    inner = (slice(HALO, -HALO), slice(HALO, -HALO))
    sums, power = sums[:, *inner], power[:, *inner] * np.float32(claim)
    both = sums.sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        layers = {
            "value": both[..., 0] / both[..., 1],
            "variance": power[..., 0].sum(axis=0),
            "samples": np.where(both[..., 1] > 0, both[..., 1] ** 2 / both[..., 2], 0),
        }
        for h, half in enumerate("ab"):
            layers[f"value_{half}"] = sums[h, ..., 0] / sums[h, ..., 1]
            layers[f"variance_{half}"] = np.where(sums[h, ..., 1] > 0, power[h, ..., 1], np.nan)
        layers["variance"][both[..., 1] == 0] = np.nan
        ratio = both[..., 3] / both[..., 1] ** 2 / layers["variance"]
    out.layers[name] = {key: layer.astype(np.float32) for key, layer in layers.items()}
    good = ratio[np.isfinite(ratio)]
    out.pixel_noise[name] = (float(np.median(good)) * good.size if good.size else 0.0, good.size)
