"""Where a picture is worked on: arrays of its size that need not fit the memory, and its parts one after another."""

from __future__ import annotations

import itertools
import weakref
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from fourlight.engine import give_back, in_order, room_bytes
from fourlight.io.room import new_array

__all__ = ["CANVAS", "ENOUGH", "Canvas", "Window", "bands", "every", "some"]

CANVAS = "canvas-"
"""What names of its files begin with; Windows keeps those that are mapped when a program ends."""

ENOUGH = 2_000_000
"""Pixels from which medians and quantiles of a picture are taken: their errors are far below its noise."""

LEAST_SIDE, MOST_SIDE = 128, 1024
"""Side of the smallest and the largest part that is worked on: larger ones hardly save time, and take memory."""

ALIGNED = 16
"""Parts begin at multiples of this, where what is reckoned at every so many pixels is the same in all of them."""

BAND_PX = 1 << 17
"""Pixels of some rows that are worked on at a time, so that arrays of them stay in the cache of a processor."""


def every(shape: tuple[int, ...]) -> int:
    """Rows and columns from one pixel of `some` to the next."""
    return int(np.ceil(np.sqrt(shape[0] * shape[1] / ENOUGH)))


def some(image: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Pixels on an even grid, all of them in a small picture, as a view.

    >>> some(np.zeros((30, 40))).shape, some(np.zeros((3000, 4000))).shape
    ((30, 40), (1000, 1334))
    """
    step = every(image.shape)
    return image[::step, ::step]


def bands(shape: tuple[int, ...], pixels: int = BAND_PX) -> Iterator[slice]:
    """Rows of about so many pixels one after another, down to the last.

    >>> list(bands((100, 3000)))
    [slice(0, 43, None), slice(43, 86, None), slice(86, 129, None)]
    """
    rows = max(1, pixels // max(shape[1], 1))
    return (slice(y, y + rows) for y in range(0, shape[0], rows))


@dataclass(frozen=True, slots=True)
class Window:
    """A part of a picture with what is needed around it."""

    inner: tuple[slice, slice]
    """Rows and columns of the part."""
    outer: tuple[slice, slice]
    """The same with what is around it, as far as the picture goes."""

    @property
    def cut(self) -> tuple[slice, slice]:
        """The part within an array of ``outer``."""
        rows, columns = (
            slice(i.start - o.start, i.stop - o.start) for i, o in zip(self.inner, self.outer, strict=True)
        )
        return rows, columns


_numbers = itertools.count()
"""Of files of all canvases: where one that is mapped cannot be taken away, no other may have its name."""


@dataclass(slots=True)
class Canvas:
    """Room for arrays of the size of a picture, and the memory and threads to work on its parts."""

    folder: Path | None = None
    """Where arrays are kept as mapped files, which go when nobody holds them; None: they are held in memory."""
    memory_bytes: float = 2e9
    threads: int = 1

    def new(self, shape: tuple[int, ...]) -> npt.NDArray[np.float32]:
        """A new float32 array; what it holds is not said.

        Raises
        ------
        OutputError
            There is no room for it in the folder.
        """
        if self.folder is None:
            return np.empty(shape, dtype=np.float32)
        path = self.folder / f"{CANVAS}{next(_numbers)}.npy"
        array = new_array(path, (shape[0], int(np.prod(shape[1:]))))
        try:
            path.unlink()  # what is mapped stays until the map goes
        except OSError:  # Windows takes no file away that is mapped
            weakref.finalize(_map_of(array), _take_away, path)
        return np.asarray(array).reshape(shape)

    def each(
        self, shape: tuple[int, ...], work: Callable[[Window], None], *, reach: int = 0, pixel_bytes: float
    ) -> None:
        """Call ``work`` on all parts of a picture, several at once.

        Parameters
        ----------
        shape : (ny, nx)
        work : callable
            Its results must not depend on how the picture is cut.
        reach : int
            Pixels around a part that shape it; parts with what is around them begin at multiples of what both this
            and 16 are.
        pixel_bytes : float
            Memory that ``work`` takes per pixel, those around the part counted.
        """
        side, threads = self._side(reach, pixel_bytes)
        windows = _windows((shape[0], shape[1]), side, reach)
        for _ in in_order(work, windows, min(threads, len(windows))):
            pass
        give_back()

    def _side(self, reach: int, pixel_bytes: float) -> tuple[int, int]:
        """Side of the parts and threads that are quickest: more threads leave smaller parts, of which more is rim."""
        room = room_bytes(self.memory_bytes)
        choices = []
        for threads in range(1, self.threads + 1):
            side = int(np.clip(np.sqrt(room / threads / pixel_bytes) - 2 * reach, LEAST_SIDE, MOST_SIDE))
            side -= side % ALIGNED
            fits = (side + 2 * reach) ** 2 * pixel_bytes * threads <= room or threads == 1
            choices.append((not fits, (1 + 2 * reach / side) ** 2 / threads, side, threads))
        _, _, side, threads = min(choices)
        return side, threads


def _map_of(array: npt.NDArray[Any]) -> object:
    """The map below an array, which is closed by the time that its finalizer is called."""
    below: object = array
    while isinstance(below, np.ndarray):
        below = below.base
    return below


def _take_away(path: Path) -> None:
    with suppress(OSError):
        path.unlink()


def _windows(shape: tuple[int, int], side: int, reach: int) -> list[Window]:
    """Parts of a picture that are about square and equal, none longer than a side that is a multiple of `ALIGNED`."""

    def cuts(length: int) -> list[tuple[slice, slice]]:
        edges = np.linspace(0, -(-length // ALIGNED), -(-length // side) + 1).round().astype(int) * ALIGNED
        edges[-1] = length
        return [
            (slice(a, b), slice(max(a - reach, 0), min(b + reach, length)))
            for a, b in itertools.pairwise(edges.tolist())
        ]

    return [
        Window((inner_y, inner_x), (outer_y, outer_x))
        for inner_y, outer_y in cuts(shape[0])
        for inner_x, outer_x in cuts(shape[1])
    ]
