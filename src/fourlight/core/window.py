"""The part of a stack that enough frames cover."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

__all__ = ["bounding_box", "largest_rectangle"]

Bool = npt.NDArray[np.bool_]


@njit(cache=True, nogil=True)
def _search(
    mask: Bool, heights: npt.NDArray[np.int64], stack: npt.NDArray[np.int64]
) -> tuple[int, int, int, int]:
    ny, nx = mask.shape
    best, y0, y1, x0, x1 = 0, 0, 0, 0, 0
    for y in range(ny):
        top = 0
        for x in range(nx + 1):
            if x < nx:
                heights[x] = heights[x] + 1 if mask[y, x] else 0
            current = heights[x] if x < nx else 0
            while top > 0 and heights[stack[top - 1]] >= current:
                height = heights[stack[top - 1]]
                top -= 1
                left = stack[top - 1] + 1 if top > 0 else 0
                if height * (x - left) > best:
                    best, y0, y1, x0, x1 = height * (x - left), y - height + 1, y + 1, left, x
            stack[top] = x
            top += 1
    return y0, y1, x0, x1


def largest_rectangle(mask: Bool) -> tuple[int, int, int, int]:
    """``y0, y1, x0, x1`` (half open) of the largest upright rectangle of True; all 0 if there is none.

    >>> largest_rectangle(np.array([[1, 1, 0], [1, 1, 1], [0, 1, 1]], dtype=bool))
    (0, 2, 0, 2)
    """
    columns = mask.shape[1]
    found = _search(
        np.ascontiguousarray(mask),
        np.zeros(columns + 1, dtype=np.int64),
        np.zeros(columns + 1, dtype=np.int64),
    )
    y0, y1, x0, x1 = (int(edge) for edge in found)
    return y0, y1, x0, x1


def bounding_box(mask: Bool) -> tuple[int, int, int, int]:
    """``y0, y1, x0, x1`` (half open) around all True; all 0 if there is none.

    >>> bounding_box(np.array([[0, 0, 0], [0, 1, 1]], dtype=bool))
    (1, 2, 1, 3)
    """
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    if len(rows) == 0:
        return 0, 0, 0, 0
    return int(rows[0]), int(rows[-1]) + 1, int(columns[0]), int(columns[-1]) + 1
