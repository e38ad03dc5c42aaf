"""Square tiles that overlap, for work in Fourier space whose rules change over an image."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fourlight.core.gaps import fill_gaps

__all__ = ["BLEND", "HALO", "SIDE", "Tile", "tiles"]

Float32 = npt.NDArray[np.float32]

SIDE, HALO, BLEND = 384, 64, 32
"""Side of a tile; width of its rim that only feeds the rest, and of the strip next to it that fades into the next."""
STEP = SIDE - 2 * HALO - BLEND


@dataclass(frozen=True, slots=True)
class Tile:
    """A tile whose pixel (0, 0) is that of the image at ``y, x``, which may lie outside."""

    y: int
    x: int
    size: tuple[int, int]

    @property
    def middle(self) -> tuple[float, float]:
        """``x, y`` of its middle, inside the image."""
        ny, nx = self.size
        return float(np.clip(self.x + SIDE / 2, 0, nx - 1)), float(np.clip(self.y + SIDE / 2, 0, ny - 1))

    def cut(self, image: Float32) -> Float32:
        """(SIDE, SIDE) its pixels; gaps are filled, and beyond the edge the image is mirrored."""
        rows, columns = (
            _mirrored(np.arange(start, start + SIDE), length)
            for start, length in ((self.y, self.size[0]), (self.x, self.size[1]))
        )
        part = image[rows.min() : rows.max() + 1, columns.min() : columns.max() + 1]
        whole = fill_gaps(np.asarray(part, dtype=np.float32))
        return np.asarray(whole[(rows - rows.min())[:, None], columns - columns.min()])

    def part(self, image: Float32, beyond: int) -> Float32:
        """(SIDE, SIDE) pixels of an image that is larger by ``beyond`` on each side; zero where it ends."""
        out = np.zeros((SIDE, SIDE), dtype=np.float32)
        there, here = [], []
        for start, length in zip((self.y + beyond, self.x + beyond), image.shape, strict=True):
            there.append(slice(max(start, 0), min(start + SIDE, length)))
            here.append(slice(there[-1].start - start, there[-1].stop - start))
        out[here[0], here[1]] = image[there[0], there[1]]
        return out

    def place(self) -> tuple[tuple[slice, slice], tuple[slice, slice]]:
        """Where the part that counts lies in the image, and in the tile."""
        own, there = [], []
        for start, length in ((self.y, self.size[0]), (self.x, self.size[1])):
            first, last = max(start + HALO, 0), min(start + SIDE - HALO, length)
            there.append(slice(first, last))
            own.append(slice(first - start, last - start))
        return (there[0], there[1]), (own[0], own[1])

    def weight(self) -> Float32:
        """(rows, columns) of `place`: weights of overlapping tiles sum to 1."""
        lines = []
        for start, length in ((self.y, self.size[0]), (self.x, self.size[1])):
            first, last = max(start + HALO, 0), min(start + SIDE - HALO, length)
            place = np.arange(first, last) - start - HALO + 0.5
            rise = np.clip(place / BLEND, 0, 1) if start + HALO > 0 else np.ones(last - first)
            fall = np.clip((SIDE - 2 * HALO - place) / BLEND, 0, 1)
            if start + SIDE - HALO >= length:
                fall = np.ones(last - first)
            lines.append(rise * fall)
        return np.outer(*lines).astype(np.float32)


def tiles(size: tuple[int, int]) -> Iterator[Tile]:
    """Tiles that cover an image.

    >>> total = np.zeros((300, 500), dtype=np.float32)
    >>> for tile in tiles(total.shape):
    ...     total[tile.place()[0]] += tile.weight()
    >>> bool(np.allclose(total, 1))
    True
    """
    starts = [range(-HALO, max(length - BLEND, 1) - HALO, STEP) for length in size]
    for y in starts[0]:
        for x in starts[1]:
            yield Tile(y, x, size)


def _mirrored(index: npt.NDArray[np.int64], length: int) -> npt.NDArray[np.int64]:
    if length == 1:
        return np.zeros_like(index)
    period = 2 * length - 2
    index = np.abs(index) % period
    return np.where(index < length, index, period - index)
