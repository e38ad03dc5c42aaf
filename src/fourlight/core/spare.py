"""Arrays that are done with, kept for the next of their size.

Fresh memory comes in pages that the system has to empty first, which takes longer than most of what is done in it.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["Spare"]

Float32 = npt.NDArray[np.float32]


class Spare:
    """Room for float32 arrays of a few sizes; threads may share it."""

    def __init__(self) -> None:
        self._free: dict[tuple[int, ...], list[Float32]] = {}

    def take(self, shape: tuple[int, ...]) -> Float32:
        """An array of a shape; what it holds is not said.

        >>> spare = Spare()
        >>> first = spare.take((2, 3))
        >>> spare.give(first)
        >>> spare.take((2, 3)) is first, spare.take((2, 3)) is first
        (True, False)
        """
        try:
            return self._free[shape].pop()
        except (KeyError, IndexError):
            return np.empty(shape, dtype=np.float32)

    def give(self, *arrays: Float32) -> None:
        """Take back arrays that nobody looks at any more."""
        for array in arrays:
            self._free.setdefault(array.shape, []).append(array)
