"""Masks of rejected samples: grown to what belongs to them, trails marked whole, and counted on the stack."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from fourlight.core.bends import along_row, place

__all__ = ["grown", "mark_trails", "tally"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]
Int8 = npt.NDArray[np.int8]


@njit(cache=True, nogil=True)
def grown(deviation: Float32, limit: float) -> tuple[Int8, int]:
    """Mask of rejected samples (1), with neighbours of rejected ones judged more strictly.

    A sample within two pixels of at least three rejected ones goes beyond 0.4 of the limit; this is repeated
    until nothing changes, three times at most.

    Returns
    -------
    (h, w) int8, and the number of rejected samples.

    Examples
    --------
    >>> mask, count = grown(np.array([[9, 9, 9, 3, 0, 0]], np.float32), 4.5)
    >>> mask.tolist(), count
    ([[1, 1, 1, 0, 0, 0]], 3)
    >>> grown(np.array([[9, 9, 9, 3, 0, 0], [9, 9, 0, 0, 0, 0]], np.float32), 4.5)[0].tolist()
    [[1, 1, 1, 1, 0, 0], [1, 1, 0, 0, 0, 0]]
    """
    h, w = deviation.shape
    mask = np.zeros((h, w), dtype=np.int8)
    count = 0
    for j in range(h):
        for i in range(w):
            if abs(deviation[j, i]) > limit:
                mask[j, i] = 1
                count += 1
    strict = 0.4 * limit
    for _ in range(3 if count > 2 else 0):
        before = mask.copy()
        added = 0
        for j in range(h):
            for i in range(w):
                if before[j, i] == 1 or abs(deviation[j, i]) <= strict:
                    continue
                near = 0
                for y in range(max(0, j - 2), min(h, j + 3)):
                    for x in range(max(0, i - 2), min(w, i + 3)):
                        near += before[y, x]
                if near >= 3:
                    mask[j, i] = 1
                    added += 1
        count += added
        if added == 0:
            break
    return mask, count


@njit(cache=True, nogil=True)
def mark_trails(mask: Int8, y0: int, x0: int, trails: Float64) -> None:
    """Reject, in place, all samples within a trail.

    Parameters
    ----------
    mask : (h, w) int8
        From `grown`; the first is ``[y0, x0]`` of the frame.
    trails : (n, 4) float64
        A point x, y, direction (radians from +x towards +y) and half width, frame pixels.

    Examples
    --------
    >>> mask = np.zeros((3, 4), np.int8)
    >>> mark_trails(mask, 10, 20, np.array([[0.0, 11.0, 0.0, 0.5]]))
    >>> mask.tolist()
    [[0, 0, 0, 0], [1, 1, 1, 1], [0, 0, 0, 0]]
    """
    h, w = mask.shape
    for k in range(trails.shape[0]):
        sine, cosine, half = np.sin(trails[k, 2]), np.cos(trails[k, 2]), trails[k, 3]
        for j in range(h):
            low, high = 0, w
            if abs(sine) > 1e-6:
                middle, span = trails[k, 0] + (y0 + j - trails[k, 1]) * cosine / sine, half / abs(sine)
                low, high = max(0, int(middle - span) - x0), min(w, int(middle + span) + 2 - x0)
            for i in range(low, high):
                if abs(-sine * (x0 + i - trails[k, 0]) + cosine * (y0 + j - trails[k, 1])) <= half:
                    mask[j, i] = 1


@njit(cache=True, nogil=True)
def tally(
    mask: Int8, z: Float32, y0: int, x0: int, bend: Float64, cell: Int64, oy: int, ox: int, counts: Float32
) -> None:
    """Count rejected samples, in place, on the pixel on which each lies.

    Parameters
    ----------
    mask : (h, w) int8
        From `grown`; the first is ``[y0, x0]`` of the frame.
    z : (h, w) float32
        The samples; NaN where there is none.
    bend : (4, 2, 4, 4) float64
        Map from frame to output pixels per plane, see `fourlight.core.bends`.
    cell : (2, 2) int64
    oy, ox : int
        Output position of the first pixel of the counts.
    counts : (ph, pw) float32, added to
    """
    h, w = mask.shape
    ph, pw = counts.shape
    rows = np.empty((4, 2, 4))
    for j in range(h):
        for k in range(4):
            along_row(bend[k], y0 + j, ox, oy, rows[k])
        for i in range(w):
            if mask[j, i] == 0 or z[j, i] != z[j, i]:
                continue
            plane = cell[(y0 + j) % 2, (x0 + i) % 2]
            x, y = int(np.rint(place(rows[plane, 0], x0 + i))), int(np.rint(place(rows[plane, 1], x0 + i)))
            if 0 <= x < pw and 0 <= y < ph:
                counts[y, x] += 1
