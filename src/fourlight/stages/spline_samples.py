"""Samples of a tile on their way into least squares: gathered by plane and half, and made into equations."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fourlight.core import equations, lsq, reach, samples, stencil
from fourlight.core.cfa import PLANES
from fourlight.stages.geometry import FrameTable
from fourlight.stages.stack_layers import GROUPS
from fourlight.stages.tile_samples import TileSamples

__all__ = ["Room", "begin", "empty_cells", "gather"]

Float32 = npt.NDArray[np.float32]

MISFIT = 0.02
"""Share of the local range by which the spline may miss a sample: sharp stars hold detail finer than its grid, and
frames differ in seeing. Taken at full weight, such samples in a star's core raise rings around it."""


class Room:
    """Samples of the planes of a group, by plane and half, their equations, and those of some of them together.

    New memory costs more than what is done in it: all groups use the same.

    Parameters
    ----------
    shape : (ph, pw)
    fine : int
        Fine cells along a pixel.
    every : (8, ph, fine^2, 6, pw) float32 or None
        Samples of both halves of all planes, see `empty_cells`; None: they will be gathered group by group.
    """

    def __init__(self, shape: tuple[int, int], fine: int, every: Float32 | None = None) -> None:
        ph, pw = shape
        self.fine, self._every = fine, every
        most = 2 * max(len(group) for group in GROUPS)
        self.cells = empty_cells(shape, fine, most) if every is None else every[:most]
        self.kept = np.empty((most, ph, pw), dtype=np.float32)
        # The last ones are those together.
        self.layers = np.empty((most + 1, ph, stencil.LAYERS, pw + 2 * stencil.RIM), dtype=np.float32)
        self.right = np.empty((most + 1, ph, pw), dtype=np.float32)
        self.sums = np.empty((most + 1, 3, ph, pw), dtype=np.float32)

    def turn_to(self, group: tuple[str, ...]) -> None:
        """Make room for the planes of a group; where all samples have been gathered, they are its parts."""
        if self._every is not None:
            first = 2 * PLANES.index(group[0])
            self.cells = self._every[first : first + 2 * len(group)]
        for array in (self.layers, self.right, self.sums):
            array[:-1] = 0

    def settle(self, first: int, ref: Float32, weight: float) -> None:
        """Make the equations of both halves of a plane; ``weight`` is that of a usual sample."""
        misfit = np.square(np.float32(MISFIT) * samples.spread(ref))
        self.kept[first : first + 2] = lsq.kept_share(misfit, weight)
        for part in (first, first + 1):
            reach.settled(self.cells[part], self.kept[part], self.sums[part])
            equations.assembled(self.cells[part], self.layers[part], self.right[part])

    def join(self, parts: list[int]) -> None:
        """Put the equations of some planes and halves together."""
        for array in (self.layers, self.right, self.sums):
            if len(parts) == 1:
                array[-1] = array[parts[0]]
            else:
                np.add(array[parts[0]], array[parts[1]], out=array[-1])
            for part in parts[2:]:
                array[-1] += array[part]


def empty_cells(shape: tuple[int, int], fine: int, parts: int = 2 * len(PLANES)) -> Float32:
    """Room (parts, ph, fine^2, 6, pw) for samples of planes and halves, those of a plane one after the other."""
    return np.empty((parts, shape[0], fine**2, lsq.SUMS, shape[1]), dtype=np.float32)


def begin(cells: Float32, earlier: list[Float32] | None) -> None:
    """Begin with what was gathered earlier of both halves of a plane, or with nothing."""
    for half in range(2):
        cells[half] = earlier[half] if earlier else 0


def gather(
    found: TileSamples, ref: Float32, table: FrameTable, plane: int, cells: Float32, fine: int
) -> None:
    """Gather the samples of both halves of one plane in ``cells`` (2, ph, fine^2, 6, pw), which are added to."""
    for k, f in enumerate(found.frames):
        lsq.gathered(
            *found.values(k), found.bad[k], *found.origin(k), table.bend[f, plane], table.cell[f], plane,
            table.floor[f, plane], table.level[plane], table.merit[f, plane], table.shared[f, plane], ref,
            *found.offset, fine, cells[int(table.half[f])],
        )  # fmt: skip
