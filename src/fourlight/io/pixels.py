"""Pixels of a raw frame, read a rectangle at a time so that memory stays bounded."""

from __future__ import annotations

from typing import Protocol

import numpy as np
import numpy.typing as npt

__all__ = ["PixelSource"]


class PixelSource(Protocol):
    """Read-only access to the samples of one raw frame, in ADU as the file means them (BZERO applied)."""

    @property
    def shape(self) -> tuple[int, int]:
        """``(ny, nx)`` of the active area."""
        ...

    def read(self, y0: int, y1: int, x0: int, x1: int) -> npt.NDArray[np.float32]:
        """Samples of rows ``y0:y1`` and columns ``x0:x1`` as a new float32 array; undefined samples are NaN."""
        ...
