"""Least-squares reconstruction of the samples of a tile: each plane the spline that fits its own samples best.

Unlike drops, which blur by their own size, the fit undoes what sampling did; noise stays white.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import ClassVar

import numpy as np
import numpy.typing as npt

from fourlight.core.cfa import PLANES
from fourlight.core.saturation import bounds
from fourlight.engine import nothing
from fourlight.stages.geometry import BYTES_PER_SAMPLE, FrameTable
from fourlight.stages.spline_fits import Fit, fitted_plane
from fourlight.stages.spline_samples import Room, begin, empty_cells, gather
from fourlight.stages.stack_layers import GROUPS, OUTPUT_PLANES, PlaneLayers, Sums
from fourlight.stages.tile_samples import TileSamples

__all__ = ["LeastSquares"]

Float32 = npt.NDArray[np.float32]
Int64 = npt.NDArray[np.int64]

AT_ONCE = 128
"""Frames that are read all at once; of more some at a time. Tiles would become small and their halos large: of 1,000
frames a pixel was worked on 2.0 times, of 100 1.3 times."""

TOGETHER = 64
"""Frames of a batch, at most: tiles are as large as for 100 frames then."""

FINE_BELOW_PX = 2.5
"""Star width under which samples are gathered on thirds of a pixel instead of halves."""


class LeastSquares:
    """The spline that fits the samples of each plane best.

    Parameters
    ----------
    table : FrameTable
    told : callable
        Called after each step of a tile: the samples of a plane in a batch, and its `FITS` fits.
    whole : FrameTable or None
        All frames of the stack, where ``table`` holds only those that are added to earlier sums.
    fine : int
        Fine cells along a pixel, those of earlier sums; 0: from `fineness`.
    """

    FIXED_BYTES: ClassVar[dict[int, int]] = {2: 1150, 3: 1650}
    """Memory per pixel of a tile that does not depend on the number of frames, by fine cells along a pixel."""
    MORE_BYTES: ClassVar[dict[int, int]] = {2: 400, 3: 900}
    """What it takes beside that where the samples of all planes are kept while more are read."""
    FITS: ClassVar[int] = 3 * len(OUTPUT_PLANES)

    def __init__(
        self,
        table: FrameTable,
        told: Callable[[], None] = nothing,
        whole: FrameTable | None = None,
        fine: int = 0,
    ) -> None:
        self._told = told
        self.fine = fine or self.fineness(table)
        whole = whole or table
        # A plane has one sample in four of a frame's pixels.
        self._least = whole.density.min(axis=0) / 4
        self._usual = np.median(whole.weight / whole.merit, axis=0)
        self._merit = np.median(whole.merit, axis=0)

    @classmethod
    def pixel_bytes(cls, samples: float, batches: int, fine: int) -> float:
        """Memory per pixel of a tile with its halo.

        Parameters
        ----------
        samples : float
            Of a batch, those of all frames and planes on a pixel.
        batches : int
            Their number.
        fine : int
            Fine cells along a pixel.
        """
        more = cls.MORE_BYTES[fine] if batches > 1 else 0
        return BYTES_PER_SAMPLE * samples + cls.FIXED_BYTES[fine] + more

    @staticmethod
    def fineness(table: FrameTable) -> int:
        """Fine cells along a pixel of the stack that the width of stars asks for."""
        return 3 if table.fwhm_px.min() < FINE_BELOW_PX else 2

    @staticmethod
    def batches(count: int) -> list[Int64]:
        """Frames that are read together: all, or of many some at a time from first to last, so that memory is bounded.

        Halves alternate: an odd number of batches has frames of both in each.

        >>> [len(rows) for rows in LeastSquares.batches(128)], LeastSquares.batches(129)[0][:4].tolist()
        ([128], [0, 3, 6, 9])
        """
        number = 1 if count <= AT_ONCE else -(-count // TOGETHER) // 2 * 2 + 1
        return [np.arange(first, count, number) for first in range(number)]

    def planes(
        self, seen: Iterable[tuple[TileSamples, Float32]], table: FrameTable, earlier: Sums | None = None,
        kept: Sums | None = None,
    ) -> dict[str, PlaneLayers]:  # fmt: skip
        """All output planes of a tile; the fit starts from the reference."""
        out: dict[str, PlaneLayers] = {}
        room, ref, samples = self._read(seen, table, earlier)
        for group in GROUPS:
            indices = [PLANES.index(name) for name in group]
            room.turn_to(group)
            for n, (name, c) in enumerate(zip(group, indices, strict=True)):
                cells = room.cells[2 * n : 2 * n + 2]
                if samples is not None:
                    begin(cells, earlier[name] if earlier else None)
                    gather(samples, ref[c], table, c, cells, self.fine)
                    self._told()
                if kept is not None:
                    kept[name] = [part.copy() for part in cells]
                room.settle(2 * n, ref[c], float(self._usual[c]))
            planes = {name: [2 * n] for n, name in enumerate(group)}
            if len(group) > 1:
                planes["G"] = [0, 2]
            full = [bounds(ref[c], table.full[c]) for c in indices]
            starts = {n: [_filled(ref[c], table.level[c])] for n, c in zip(group, indices, strict=True)}
            width, least = float(table.fwhm_px[indices[0]]), float(self._least[indices[0]])
            merit = float(self._merit[indices[0]])
            for name, parts in planes.items():
                begun = starts.get(name) or _between(starts["G1"], starts["G2"])
                fit = Fit(room, width, least, merit, [both for p in parts if (both := full[p // 2])])
                out[name], starts[name] = fitted_plane(fit, parts, begun, self._told)
        return out

    def _read(
        self, seen: Iterable[tuple[TileSamples, Float32]], table: FrameTable, earlier: Sums | None
    ) -> tuple[Room, Float32, TileSamples | None]:
        """Room for the planes, the reference, and the samples that are yet to be gathered: of one batch its own.

        Several batches are gathered as they come, all planes of them, which takes more room than plane after plane.
        """
        if len(self.batches(len(table.matrix))) == 1:
            ((found, ref),) = seen
            return Room(found.padded_shape, self.fine), ref, found
        every: Float32 | None = None
        for found, ref in seen:
            shape = found.padded_shape
            if every is None:
                every = empty_cells(shape, self.fine)
                for c, name in enumerate(PLANES):
                    begin(every[2 * c : 2 * c + 2], earlier[name] if earlier else None)
            for c in range(len(PLANES)):
                gather(found, ref[c], table, c, every[2 * c : 2 * c + 2], self.fine)
                self._told()
            del found  # before the next are read
        return Room(shape, self.fine, every), ref, None


def _filled(ref: Float32, level: float) -> Float32:
    return np.where(np.isfinite(ref), ref, np.float32(level)).astype(np.float32)


def _between(first: list[Float32], second: list[Float32]) -> list[Float32]:
    return [np.float32(0.5) * (one + other) for one, other in zip(first, second, strict=True)]
