"""The running stack: sums of drops to which lights are added one by one, in memory that does not grow with them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt

from fourlight.core import running, sums
from fourlight.core.cfa import PLANES
from fourlight.engine import in_order
from fourlight.io.arrays import READING
from fourlight.io.room import whole
from fourlight.recipe import Integrate
from fourlight.stages import tile_samples
from fourlight.stages.drops import Drops
from fourlight.stages.geometry import HALO, FrameTable, Tile, tiles
from fourlight.stages.stack_layers import GROUPS, LAYERS, PlaneLayers, TileResult
from fourlight.stages.tile_samples import Reader, Reference, TileSamples

__all__ = ["LiveSums", "live_bytes"]

Float32 = npt.NDArray[np.float32]
Int64 = npt.NDArray[np.int64]

ARRAYS = ("sums", "noise", "apart", "rejected_here")
"""What is kept of the sums, besides counts."""
PIXEL_BYTES = 4 * (2 * 4 * 4 + 2 * 4 + 4 + 1)
"""Of the sums, per pixel of the stack."""
TILE_PIXEL_BYTES = 400
"""While lights are added to a tile, per pixel of it."""
BLUNT = 2.0
"""What the share of the local range that is let through is multiplied by for lights that are compared with the mean: a
mean of drops is blunter than samples, and would cost bright stars 2 % of their light."""
EVERY = 4
"""Rows and columns from one pixel to the next where the noise of the stack is looked at."""


def live_bytes(shape: tuple[int, int]) -> int:
    """Memory of the sums of a stack."""
    return PIXEL_BYTES * shape[0] * shape[1]


@dataclass(slots=True)
class LiveSums:
    """Sums of all samples so far.

    Every light counts for one of the halves, and is looked at once: its samples are compared with the mean of those
    before it. What is laid down does not depend on later lights but for that.
    """

    shape: tuple[int, int]
    zoom: float
    pixfrac: float
    frames: int = 0
    rejected: npt.NDArray[np.int64] = field(default_factory=lambda: np.zeros(4, dtype=np.int64))
    """(4,) samples of each plane that were left out."""
    used: npt.NDArray[np.int64] = field(default_factory=lambda: np.zeros(4, dtype=np.int64))
    """(4,) samples of each plane that were looked at."""
    claim: float = 1.0
    """Factor on noise power that gives VAR."""
    sums: Float32 = field(init=False)
    """(4, 2, ny, nx, 4) of each plane and half, see `fourlight.core.drizzle.deposit_values`."""
    noise: Float32 = field(init=False)
    """(4, 2, ny, nx) noise power."""
    apart: Float32 = field(init=False)
    """(4, ny, nx) squared deviations of lights from their mean."""
    rejected_here: Float32 = field(init=False)
    """(ny, nx) samples of all planes that were left out."""

    def __post_init__(self) -> None:
        self.sums = np.zeros((4, 2, *self.shape, 4), dtype=np.float32)
        self.noise = np.zeros((4, 2, *self.shape), dtype=np.float32)
        self.apart = np.zeros((4, *self.shape), dtype=np.float32)
        self.rejected_here = np.zeros(self.shape, dtype=np.float32)

    @property
    def tiles(self) -> list[Tile]:
        """Its cut, the same for every light: pixels do not depend on it."""
        return tiles(self.shape, TILE_PIXEL_BYTES)

    def clear(self) -> None:
        """Begin anew, in the same memory."""
        for name in ARRAYS:
            getattr(self, name)[:] = 0
        self.frames, self.rejected[:], self.used[:] = 0, 0, 0

    def add(
        self, table: FrameTable, read: Reader, settings: Integrate, threads: int, *, together: bool
    ) -> None:
        """Add lights.

        Parameters
        ----------
        table : FrameTable
            Of these lights; halves are those of the rows.
        read : callable
            Their calibrated samples.
        settings : Integrate
        threads : int
        together : bool
            Compare them with the median of themselves, not with the mean so far.
        """
        method = Drops(table, self.pixfrac)
        self.claim = method.claim

        def work(tile: Tile) -> tuple[Int64, Int64]:
            return self._add_tile(tile, table, read, settings, method, together)

        for rejected, used in in_order(work, self.tiles, threads):
            self.rejected += rejected
            self.used += used
        self.frames += len(table.matrix)

    def _add_tile(
        self, tile: Tile, table: FrameTable, read: Reader, settings: Integrate, method: Drops, together: bool
    ) -> tuple[Int64, Int64]:
        """Lay the samples of lights under one tile; (4,) rejected and used ones of each plane."""
        found = tile_samples.load(tile, table, read)
        ref = tile_samples.reference(found, table) if together else self._reference(found)
        if not together:
            settings = settings.model_copy(update={"gradient_tolerance": BLUNT * settings.gradient_tolerance})
        tile_samples.reject(found, table, ref, settings)
        part = (slice(tile.y0, tile.y1), slice(tile.x0, tile.x1))
        inner = (slice(HALO, -HALO), slice(HALO, -HALO))
        for plane in range(4):
            laid = zip(found.frames, method.deposits(found, ref.value, table, plane), strict=True)
            for row, (half, own, power) in laid:
                mine, other = (self.sums[plane, k][part] for k in (half, 1 - half))
                running.add_frame(
                    own[inner], power[inner], float(table.weight[row, plane]), mine, other,
                    self.noise[plane, half][part], self.apart[plane][part],
                )  # fmt: skip
        self.rejected_here[part] += found.rejected_here
        return found.rejected, found.used

    def _reference(self, found: TileSamples) -> Reference:
        """Mean so far on a tile with its halo, as far as the stack goes."""
        oy, ox = found.offset
        ph, pw = found.padded_shape
        value = np.full((4, ph, pw), np.nan, dtype=np.float32)
        scatter, behind = np.zeros((4, ph, pw), np.float32), np.zeros((4, ph, pw), np.int32)
        y0, y1, x0, x1 = max(oy, 0), min(oy + ph, self.shape[0]), max(ox, 0), min(ox + pw, self.shape[1])
        part, place = np.s_[y0:y1, x0:x1], np.s_[y0 - oy : y1 - oy, x0 - ox : x1 - ox]
        for plane in range(4):
            first, second = (self.sums[plane, half][part] for half in range(2))
            running.reference(
                first, second, self.apart[plane][part], self.frames, value[plane][place], scatter[plane][place],
                behind[plane][place],
            )  # fmt: skip
        return Reference(value, scatter, behind)

    def planes(self, tile: Tile) -> TileResult:
        """All layers of the stack as it is now, on one tile."""
        part = np.s_[:, tile.y0 : tile.y1, tile.x0 : tile.x1]
        found: dict[str, PlaneLayers] = {}
        for group in GROUPS:
            own = [np.ascontiguousarray(self.sums[PLANES.index(name)][part]) for name in group]
            noise = [self.noise[PLANES.index(name)][part] for name in group]
            for name, mine, power in zip(group, own, noise, strict=True):
                found[name] = self._finished(mine, power)
            if len(group) > 1:
                found["G"] = self._finished(own[0] + own[1], noise[0] + noise[1])
        for made in found.values():
            made.scale(1 / self.zoom**2)
        here = self.rejected_here[part[1:]].copy()
        return TileResult(tile, found, rejected_here=here)

    def _finished(self, own: Float32, noise: Float32) -> PlaneLayers:
        power = np.zeros_like(own)
        running.noise_power(own, np.ascontiguousarray(noise), power)
        layers = np.empty((len(LAYERS), *own.shape[1:3]), dtype=np.float32)
        pixels = sums.finish(own, power, 0, self.claim, 0, layers)
        return PlaneLayers(dict(zip(LAYERS, layers, strict=True)), pixels)

    def variances(self) -> npt.NDArray[np.float64]:
        """(3,) VAR of R, G and B of the stack as it is now, median over every few pixels; NaN where there is none."""
        out = []
        for group in GROUPS:
            index = [PLANES.index(name) for name in group]
            weight = self.sums[index, :, ::EVERY, ::EVERY, 1].sum(axis=(0, 1), dtype=np.float64)
            noise = self.noise[index, :, ::EVERY, ::EVERY].sum(axis=(0, 1), dtype=np.float64)
            there = weight > 0
            seen = noise[there] / weight[there] ** 2
            out.append(float(np.median(seen)) * self.claim / self.zoom**4 if there.any() else np.nan)
        return np.array(out)

    def save(self, path: Path) -> None:
        """Write to a file, complete or not at all."""
        with whole(path) as part, part.open("wb") as stream:
            for array in self._arrays():
                np.save(stream, array, allow_pickle=False)

    def load(self, path: Path) -> None:
        """Read what `save` wrote, into the memory that is there.

        Raises
        ------
        ValueError, OSError
            It is not whole, or of another stack.
        """
        with READING, path.open("rb") as stream:
            for array in self._arrays():
                version = np.lib.format.read_magic(stream)
                if version != (1, 0):
                    raise ValueError("sums of another program")
                shape, _, dtype = np.lib.format.read_array_header_1_0(stream)
                if shape != array.shape or dtype != array.dtype:
                    raise ValueError("sums of another stack")
                if stream.readinto(array.data.cast("B")) != array.nbytes:
                    raise ValueError("cut off")

    def _arrays(self) -> Iterator[npt.NDArray[np.generic]]:
        yield from (getattr(self, name) for name in ARRAYS)
        yield from (self.rejected, self.used)
