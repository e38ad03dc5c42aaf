"""Samples of a tile on their way into least squares: gathered by plane and half, and made into equations."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fourlight.core import equations, lsq, reach, samples, stencil
from fourlight.stages.geometry import FrameTable
from fourlight.stages.stack_layers import GROUPS
from fourlight.stages.tile_samples import TileSamples

__all__ = ["Room", "gather"]

Float32 = npt.NDArray[np.float32]

MISFIT = 0.02
"""Share of the local range by which the spline may miss a sample: sharp stars hold detail finer than its grid, and
frames differ in seeing. Taken at full weight, such samples in a star's core raise rings around it."""


class Room:
    """Samples of the planes of a group, by plane and half, their equations, and those of some of them together.

    New memory costs more than what is done in it: all groups use the same.
    """

    def __init__(self, shape: tuple[int, int], fine: int) -> None:
        ph, pw = shape
        self.fine = fine
        most = 2 * max(len(group) for group in GROUPS)
        self.cells = np.empty((most, ph, fine**2, lsq.SUMS, pw), dtype=np.float32)
        self.kept = np.empty((most, ph, pw), dtype=np.float32)
        # The last ones are those together.
        self.layers = np.empty((most + 1, ph, stencil.LAYERS, pw + 2 * stencil.RIM), dtype=np.float32)
        self.right = np.empty((most + 1, ph, pw), dtype=np.float32)
        self.sums = np.empty((most + 1, 3, ph, pw), dtype=np.float32)

    def clear(self, first: int, earlier: list[Float32] | None) -> None:
        """Make room for the samples of both halves of a plane, beside those that were gathered earlier."""
        for half in range(2):
            for array in (self.layers, self.right, self.sums):
                array[first + half] = 0
            self.cells[first + half] = earlier[half] if earlier else 0

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


def gather(found: TileSamples, ref: Float32, table: FrameTable, plane: int, room: Room, first: int) -> None:
    """Gather the samples of both halves of one plane, as parts ``first`` and the next one."""
    for k, f in enumerate(found.frames):
        lsq.gathered(
            *found.values(k), found.bad[k], *found.origin(k), table.bend[f, plane], table.cell[f], plane,
            table.floor[f, plane], table.level[plane], table.merit[f, plane], table.shared[f, plane], ref,
            *found.offset, room.fine, room.cells[first + int(table.half[f])],
        )  # fmt: skip
