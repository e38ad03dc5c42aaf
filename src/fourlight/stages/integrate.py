"""Integration of the samples of a tile: each colour plane from its own samples, by drizzle."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from fourlight.core import drizzle
from fourlight.core.overlap import overlap_table
from fourlight.recipe import Integrate
from fourlight.stages import tile_samples
from fourlight.stages.geometry import HALO, FrameTable, Tile
from fourlight.stages.tile_samples import Reader, TileSamples

__all__ = ["LAYERS", "OUTPUT_PLANES", "Overlaps", "TileResult", "integrate_tile"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]

OUTPUT_PLANES: dict[str, tuple[bool, bool, bool, bool]] = {
    "R": (True, False, False, False),
    "G1": (False, True, False, False),
    "G2": (False, False, True, False),
    "B": (False, False, False, True),
    "G": (False, True, True, False),
}
"""Planes of the stack and the mosaic planes (R, G1, G2, B) whose samples each is made from."""

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
    for name, chosen in OUTPUT_PLANES.items():
        out.layers[name], out.pixel_noise[name] = _drizzle_plane(
            found, ref, table, cell, np.array(chosen), pixfrac, overlaps
        )
    return out


def _drizzle_plane(
    found: TileSamples, ref: Float32, table: FrameTable, cell: Int64, chosen: npt.NDArray[np.bool_],
    pixfrac: float, overlaps: Overlaps,
) -> tuple[dict[str, Float32], tuple[float, int]]:  # fmt: skip
    shape = found.padded_shape
    num, den, var_half = (np.zeros((2, *shape), dtype=np.float32) for _ in range(3))
    squares, pixel, var_all = (np.zeros(shape, dtype=np.float32) for _ in range(3))
    common = [
        (
            *found.values(k), found.bad[k], *found.origin(k), table.matrix[f], cell, chosen,
            overlaps.get(table.matrix[f, :, :2], pixfrac), table.floor[f], table.level, ref, *found.offset,
        )
        for k, f in enumerate(found.frames)
    ]  # fmt: skip
    halves = table.half[found.frames]
    for arguments, h in zip(common, halves, strict=True):
        drizzle.deposit_values(*arguments, num[h], den[h], squares, pixel)
    whole = den[0] + den[1]
    for arguments, h in zip(common, halves, strict=True):
        drizzle.deposit_variance(*arguments, whole, den[h], var_all, var_half[h])
    return _layers(num, den, whole, squares, pixel, var_all, var_half, _claim(table, pixfrac))


def _claim(table: FrameTable, pixfrac: float) -> float:
    """Factor on VAR that shares the rim effect of 8 x 8 blocks evenly between them and larger areas."""
    scale = float(np.sqrt(np.median(np.abs(np.linalg.det(table.matrix[:, :, :2])))))
    return float(np.sqrt(drizzle.area_factor(pixfrac * scale, 8)))


def _layers(
    num: Float32, den: Float32, whole: Float32, squares: Float32, pixel: Float32, var_all: Float32,
    var_half: Float32, claim: float,
) -> tuple[dict[str, Float32], tuple[float, int]]:  # fmt: skip
    inner = (slice(HALO, -HALO), slice(HALO, -HALO))
    with np.errstate(divide="ignore", invalid="ignore"):
        layers = {
            "value": (num[0] + num[1]) / whole,
            "variance": var_all * np.float32(claim),
            "samples": whole**2 / squares,
            "value_a": num[0] / den[0],
            "variance_a": var_half[0] * np.float32(claim),
            "value_b": num[1] / den[1],
            "variance_b": var_half[1] * np.float32(claim),
        }
        ratio = (pixel / whole**2 / layers["variance"])[inner]
    for name, weight in (("", whole), ("_a", den[0]), ("_b", den[1])):
        layers["variance" + name][weight == 0] = np.nan
    layers["samples"][whole == 0] = 0.0
    good = ratio[np.isfinite(ratio)]
    typical = float(np.median(good)) * good.size if good.size else 0.0
    return {k: v[inner].astype(np.float32) for k, v in layers.items()}, (typical, good.size)
