"""Many frames worked on band by band, so that memory stays bounded whatever their number."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from fourlight.engine import in_order
from fourlight.io.pixels import PixelSource

__all__ = ["PIECE_BYTES", "bands", "each_band"]

Float32Array = npt.NDArray[np.float32]
Found = TypeVar("Found")

BAND_BYTES = 60_000_000
"""Samples of all frames in a band, at most."""
PIECE_BYTES = 3 * BAND_BYTES // 2
"""Memory that frames take while they are combined or searched, in bands half as large: three times their samples."""


def bands(ny: int, nx: int, frames: int) -> Iterator[tuple[int, int]]:
    """Row ranges such that as many frames fit `BAND_BYTES`; even starts keep the mosaic phase."""
    rows = max(2, BAND_BYTES // (4 * max(nx, 1) * max(frames, 1)) // 2 * 2)
    for y0 in range(0, ny, rows):
        yield y0, min(ny, y0 + rows)


def each_band(
    work: Callable[[Float32Array, slice], Found], sources: Sequence[PixelSource], rows: Sequence[slice], threads: int
) -> Iterator[Found]:  # fmt: skip
    """``work(stack, rows)`` for bands of rows of all frames (n, rows, nx), in order, several at the same time.

    What it is given lies in memory that is used again for other bands: new memory costs more than what is done in it.
    """
    nx, rooms = sources[0].shape[1], list[Float32Array]()
    largest = max(len(sources) * (band.stop - band.start) * nx for band in rows)

    def one(band: slice) -> Found:
        room = rooms.pop() if rooms else np.empty(largest, dtype=np.float32)
        size = len(sources) * (band.stop - band.start) * nx
        stack = room[:size].reshape(len(sources), -1, nx)
        for part, source in zip(stack, sources, strict=True):
            part[:] = source.read(band.start, band.stop, 0, nx)
        found = work(stack, band)
        rooms.append(room)
        return found

    return in_order(one, rows, threads)
