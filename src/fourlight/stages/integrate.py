"""Integration of registered lights, tile by tile, each colour plane from its own samples.

The seam for other reconstructions is `TileSamples`: everything up to the rejection mask is common, and a method
turns the samples of a tile into `Layers`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from fourlight.core import drizzle, rejection, samples
from fourlight.core.overlap import overlap_table
from fourlight.recipe import Integrate
from fourlight.stages.geometry import HALO, FrameTable, Tile, rectangle

__all__ = ["LAYERS", "OUTPUT_PLANES", "TileResult", "TileSamples", "drizzle_tile", "gather"]

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

Reader = Callable[[int, int, int, int, int], tuple[Float32, Float32]]
"""``read(frame, y0, y1, x0, x1)``: calibrated samples of one frame, and their flat response (empty: 1)."""


@dataclass(slots=True)
class TileSamples:
    """Normalised samples of all frames under one tile, with what each is expected to be."""

    tile: Tile
    frames: list[int]
    """Rows of the frame table that touch the tile."""
    rects: list[Float32]
    variances: list[tuple[Float32, Float32]]
    """``base, slope`` of each rectangle, see `fourlight.core.samples.normalised`."""
    bad: list[npt.NDArray[np.int8]]
    origin: list[tuple[int, int]]
    """``y0, x0`` of each rectangle in its frame."""
    reference: Float32
    """(4, ph, pw) robust reference on the tile with its halo."""
    offset: tuple[int, int]
    """Output position ``y, x`` of the first pixel of the reference."""
    rejected: Int64
    """(4,) rejected samples per plane."""
    used: Int64
    """(4,) samples per plane."""


@dataclass(slots=True)
class TileResult:
    """Finished layers of one tile."""

    tile: Tile
    layers: dict[str, dict[str, Float32]] = field(default_factory=dict)
    """``layers[plane][layer]``: (y1 - y0, x1 - x0) float32."""
    pixel_noise: dict[str, tuple[float, int]] = field(default_factory=dict)
    """Per plane: sum over pixels of pixel variance over VAR, and number of pixels."""
    rejected: Int64 = field(default_factory=lambda: np.zeros(4, dtype=np.int64))
    used: Int64 = field(default_factory=lambda: np.zeros(4, dtype=np.int64))


def gather(
    tile: Tile,
    table: FrameTable,
    shapes: list[tuple[int, int]],
    cell: Int64,
    read: Reader,
    settings: Integrate,
) -> TileSamples:
    """Read, normalise and reject the samples of all frames under one tile.

    Parameters
    ----------
    tile : Tile
    table : FrameTable
    shapes : list of (ny, nx)
        Size of each frame.
    cell : (2, 2) int64
        Plane index of ``[y % 2, x % 2]``.
    read : callable
        Calibrated samples of a rectangle of a frame.
    settings : Integrate
    """
    frames: list[int] = []
    starts: list[int] = []
    rects: list[tuple[int, int, int, int]] = []
    total = 0
    for f in range(len(table.matrix)):
        box = rectangle(tile, table.inverse[f], shapes[f])
        if box is not None:
            frames.append(f)
            rects.append(box)
            starts.append(total)
            total += (box[1] - box[0]) * (box[3] - box[2])
    buffer, base, slope = (np.empty(total, dtype=np.float32) for _ in range(3))
    result = TileSamples(
        tile, frames, [], [], [], [], np.empty((4, 0, 0), dtype=np.float32), (tile.y0 - HALO, tile.x0 - HALO),
        np.zeros(4, dtype=np.int64), np.zeros(4, dtype=np.int64),
    )  # fmt: skip
    for f, (y0, y1, x0, x1), start in zip(frames, rects, starts, strict=True):
        part = slice(start, start + (y1 - y0) * (x1 - x0))
        samples.normalised(
            *read(f, y0, y1, x0, x1), y0, x0, cell, table.sky[f], table.terms, np.array(shapes[f], dtype=np.int64),
            table.scale[f], table.dark[f], table.poisson, buffer[part], base[part], slope[part],
        )  # fmt: skip
        size = (y1 - y0, x1 - x0)
        result.rects.append(buffer[part].reshape(size))
        result.variances.append((base[part].reshape(size), slope[part].reshape(size)))
        result.origin.append((y0, x0))
    boxes = np.array(rects, dtype=np.int64).reshape(-1, 4)
    result.reference, scatter = _reference(
        tile, table, frames, buffer, np.array(starts, dtype=np.int64), boxes, cell, result.offset
    )
    _reject(result, table, cell, scatter, settings)
    return result


def _reference(
    tile: Tile, table: FrameTable, frames: list[int], buffer: Float32, starts: Int64, boxes: Int64, cell: Int64,
    offset: tuple[int, int],
) -> tuple[Float32, Float32]:  # fmt: skip
    ph, pw = tile.y1 - tile.y0 + 2 * HALO, tile.x1 - tile.x0 + 2 * HALO
    ref = np.full((4, ph, pw), np.nan, dtype=np.float32)
    scatter = np.zeros((4, ph, pw), dtype=np.float32)
    for plane in range(4 if frames else 0):
        samples.reference(
            buffer, starts, boxes[:, 1] - boxes[:, 0], boxes[:, 3] - boxes[:, 2],
            np.ascontiguousarray(boxes[:, 0]), np.ascontiguousarray(boxes[:, 2]), table.inverse[frames],
            cell, plane, offset[0], offset[1], ref[plane], scatter[plane],
        )  # fmt: skip
    return ref, scatter


def _reject(
    result: TileSamples, table: FrameTable, cell: Int64, scatter: Float32, settings: Integrate
) -> None:
    """Fill the rejection masks; with a single frame nothing contradicts anything."""
    ref = result.reference
    ranges = np.stack([samples.spread(plane) for plane in ref])
    # The reference itself is uncertain: its median of n frames has pi / 2 n of a sample's variance.
    widen = np.sqrt(1 + np.pi / 2 / max(len(result.frames), 1))
    for f, rect, variance, (y0, x0) in zip(
        result.frames, result.rects, result.variances, result.origin, strict=True
    ):
        if len(result.frames) < 2:
            result.bad.append(np.zeros(rect.shape, dtype=np.int8))
            continue
        deviation = rejection.deviations(
            rect, *variance, y0, x0, table.matrix[f], cell, ref, scatter, ranges, *result.offset,
            table.floor[f], settings.gradient_tolerance,
        )  # fmt: skip
        mask, _ = rejection.grown(deviation, settings.reject_sigma * widen)
        result.bad.append(mask)
        for y in range(2):
            for x in range(2):
                plane = cell[(y0 + y) % 2, (x0 + x) % 2]
                result.rejected[plane] += int(mask[y::2, x::2].sum())
                result.used[plane] += int(np.isfinite(rect[y::2, x::2]).sum())


def drizzle_tile(
    result: TileSamples, table: FrameTable, cell: Int64, pixfrac: float, overlaps: Overlaps
) -> TileResult:
    """Drizzle the samples of one tile into all output planes and both halves."""
    out = TileResult(result.tile, rejected=result.rejected, used=result.used)
    for name, chosen in OUTPUT_PLANES.items():
        out.layers[name], out.pixel_noise[name] = _drizzle_plane(
            result, table, cell, np.array(chosen), pixfrac, overlaps
        )
    return out


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


def _drizzle_plane(
    result: TileSamples, table: FrameTable, cell: Int64, chosen: npt.NDArray[np.bool_], pixfrac: float,
    overlaps: Overlaps,
) -> tuple[dict[str, Float32], tuple[float, int]]:  # fmt: skip
    shape = result.reference.shape[1:]
    num, den, var_half = (np.zeros((2, *shape), dtype=np.float32) for _ in range(3))
    squares, pixel, var_all = (np.zeros(shape, dtype=np.float32) for _ in range(3))
    oy, ox = result.offset
    frames = list(zip(result.frames, result.rects, result.variances, result.bad, result.origin, strict=True))
    for f, rect, variance, bad, (y0, x0) in frames:
        share = overlaps.get(table.matrix[f, :, :2], pixfrac)
        h = table.half[f]
        drizzle.deposit_values(
            rect, *variance, bad, y0, x0, table.matrix[f], cell, chosen, share, table.floor[f], table.level,
            result.reference, oy, ox, num[h], den[h], squares, pixel,
        )  # fmt: skip
    whole = den[0] + den[1]
    for f, rect, variance, bad, (y0, x0) in frames:
        share = overlaps.get(table.matrix[f, :, :2], pixfrac)
        h = table.half[f]
        drizzle.deposit_variance(
            rect, *variance, bad, y0, x0, table.matrix[f], cell, chosen, share, table.floor[f], table.level,
            result.reference, oy, ox, whole, den[h], var_all, var_half[h],
        )  # fmt: skip
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
    return {k: v[inner].astype(np.float32) for k, v in layers.items()}, (float(good.sum()), good.size)
