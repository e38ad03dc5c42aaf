"""Samples of the frames of a batch under one tile: read, put on one scale, compared, and those that stand out rejected.

This much is common to all ways of integrating; a method turns a `TileSamples` into layers of the stack.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from fourlight.core import reference as middle
from fourlight.core import rejected, rejection, samples
from fourlight.core.networks import merging_network
from fourlight.recipe import Integrate
from fourlight.stages.geometry import HALO, FrameTable, Tile, rectangle

__all__ = ["Reader", "Reference", "TileSamples", "load", "reference", "reject"]

Float32 = npt.NDArray[np.float32]
Int64 = npt.NDArray[np.int64]

Reader = Callable[[int, int, int, int, int], tuple[Float32, Float32]]
"""``read(frame, y0, y1, x0, x1)``: calibrated samples of one frame, and their flat response (empty: 1)."""

COARSE = 2.5
"""Noise in steps of the digitiser under which the rounding of a median shows."""


@dataclass(slots=True)
class TileSamples:
    """Normalised samples of the frames that touch a tile, laid end to end in one buffer."""

    tile: Tile
    frames: list[int]
    """Rows of the frame table that touch the tile."""
    boxes: Int64
    """(n, 4) ``y0, y1, x0, x1`` of each frame's rectangle in that frame."""
    starts: Int64
    """(n,) place of each rectangle in the buffers."""
    buffer: Float32
    """Normalised samples; NaN where there is none."""
    base: Float32
    slope: Float32
    """Variance of each sample is ``base + slope * level``, see `fourlight.core.samples.normalised`."""
    bad: list[npt.NDArray[np.int8]] = field(default_factory=list)
    """Rejection mask of each rectangle."""
    rejected: Int64 = field(default_factory=lambda: np.zeros(4, dtype=np.int64))
    """(4,) rejected samples per plane."""
    used: Int64 = field(default_factory=lambda: np.zeros(4, dtype=np.int64))
    """(4,) samples per plane."""
    rejected_here: Float32 = field(default_factory=lambda: np.zeros((0, 0), dtype=np.float32))
    """Rejected samples of all frames and planes on each pixel of the tile, without its halo."""

    @property
    def offset(self) -> tuple[int, int]:
        """Output position ``y, x`` of the first pixel of the tile with its halo."""
        return self.tile.y0 - HALO, self.tile.x0 - HALO

    @property
    def padded_shape(self) -> tuple[int, int]:
        """Size of the tile with its halo."""
        return self.tile.y1 - self.tile.y0 + 2 * HALO, self.tile.x1 - self.tile.x0 + 2 * HALO

    def origin(self, k: int) -> tuple[int, int]:
        """``y0, x0`` of rectangle k in its frame."""
        return int(self.boxes[k, 0]), int(self.boxes[k, 2])

    def part(self, buffer: Float32, k: int) -> Float32:
        """Rectangle k (h, w) as a view of one of the buffers."""
        y0, y1, x0, x1 = self.boxes[k]
        return buffer[self.starts[k] : self.starts[k] + (y1 - y0) * (x1 - x0)].reshape(y1 - y0, x1 - x0)

    def values(self, k: int) -> tuple[Float32, Float32, Float32]:
        """Samples, ``base`` and ``slope`` of rectangle k."""
        return self.part(self.buffer, k), self.part(self.base, k), self.part(self.slope, k)


def load(tile: Tile, table: FrameTable, read: Reader, rows: Iterable[int] | None = None) -> TileSamples:
    """Read and normalise the samples of frames under one tile.

    Parameters
    ----------
    tile : Tile
    table : FrameTable
    read : callable
        Calibrated samples of a rectangle of a frame.
    rows : iterable of int or None
        Rows of the table of the frames that count; None: all.
    """
    every = range(len(table.matrix)) if rows is None else rows
    touching = [(f, rectangle(tile, table.unbend[f, 0], table.size[f].tolist())) for f in every]
    frames = [f for f, box in touching if box is not None]
    boxes = np.array([box for _, box in touching if box is not None], dtype=np.int64).reshape(-1, 4)
    sizes = (boxes[:, 1] - boxes[:, 0]) * (boxes[:, 3] - boxes[:, 2])
    ends = np.cumsum(sizes)
    total = int(ends[-1]) if len(ends) else 0
    buffers = tuple(np.empty(total, dtype=np.float32) for _ in range(3))
    found = TileSamples(tile, frames, boxes, ends - sizes, buffers[0], buffers[1], buffers[2])
    for f, start, end, (y0, y1, x0, x1) in zip(frames, ends - sizes, ends, boxes.tolist(), strict=True):
        samples.normalised(
            *read(f, y0, y1, x0, x1), y0, x0, table.cell[f], table.sky[f], table.terms, table.size[f],
            table.scale[f], table.dark[f], table.poisson[f], *(buffer[start:end] for buffer in buffers),
        )  # fmt: skip
    return found


@dataclass(frozen=True, slots=True)
class Reference:
    """Robust reference on a tile with its halo; every array is (4, ph, pw)."""

    value: Float32
    """NaN where no frame has a sample."""
    scatter: Float32
    """Between frames."""
    behind: npt.NDArray[np.int32]
    """Frames that have a sample there."""


def reference(found: TileSamples, table: FrameTable) -> Reference:
    """Median over frames of the nearest own-plane samples."""
    shape = (4, *found.padded_shape)
    ref = Reference(
        np.full(shape, np.nan, np.float32), np.zeros(shape, np.float32), np.zeros(shape, np.int32)
    )
    y0, y1, x0, x1 = (np.ascontiguousarray(column) for column in found.boxes.T)
    network, width = merging_network(len(found.frames)), _widths(table)
    for plane in range(4 if found.frames else 0):
        places = [np.argwhere(cell == plane)[0] for cell in table.cell[found.frames]]
        top, left = ((np.array(places) - found.boxes[:, ::2]) % 2).T.copy()
        middle.reference(
            found.buffer, found.starts, y1 - y0, x1 - x0, y0, x0, table.unbend[found.frames, plane], top, left,
            *found.offset, network, width[plane], ref.value[plane], ref.scatter[plane], ref.behind[plane],
        )  # fmt: skip
    return ref


def _widths(table: FrameTable) -> npt.NDArray[np.float64]:
    """(4,) width of the weight for references of whole numbers, see `fourlight.core.reference`."""
    step, noise = (values.max(axis=0, initial=0.0) for values in (table.step, table.noise))
    coarse = (step > 0) & (noise < COARSE * step)
    return np.where(coarse, np.maximum(1.5 * noise, 1.25 * step), 0.0)


def reject(found: TileSamples, table: FrameTable, ref: Reference, settings: Integrate) -> None:
    """Fill the rejection masks; where there is a single frame nothing contradicts it."""
    ranges = np.stack([samples.spread(plane) for plane in ref.value])
    rejection.widen_at_stars(
        ranges, ref.behind, table.stars[:, 0].copy(), table.stars[:, 1].copy(), table.stars[:, 2:].copy(),
        table.fwhm_px / 2.355, *found.offset,
    )  # fmt: skip
    tile = found.tile
    found.rejected_here = np.zeros((tile.y1 - tile.y0, tile.x1 - tile.x0), dtype=np.float32)
    for k, f in enumerate(found.frames):
        y0, x0 = found.origin(k)
        rect, base, slope = found.values(k)
        cell = table.cell[f]
        deviation = rejection.deviations(
            rect, base, slope, y0, x0, table.bend[f], cell, ref.value, ref.scatter, ref.behind, ranges,
            *found.offset, table.floor[f], settings.gradient_tolerance, rejected.STRICT * settings.reject_sigma,
            found.used,
        )  # fmt: skip
        mask, _ = rejected.grown(deviation, settings.reject_sigma)
        if len(table.trails):
            rejected.mark_trails(mask, y0, x0, table.trails[f])
        found.bad.append(mask)
        rejected.tally(
            mask, rect, y0, x0, table.bend[f], cell, tile.y0, tile.x0, found.rejected_here, found.rejected
        )
