"""Masks of rejected samples: grown to what belongs to them, trails marked whole, and counted on the stack."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from fourlight.core.bends import along_row, place

__all__ = ["STRICT", "grown", "mark_trails", "tally"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]
Int8 = npt.NDArray[np.int8]

STRICT = 0.4
"""Share of the limit beyond which samples go that lie near rejected ones."""


@njit(cache=True, nogil=True)
def grown(deviation: Float32, limit: float) -> tuple[Int8, int]:
    """Mask of rejected samples (1), with neighbours of rejected ones judged more strictly.

    A sample within two pixels of at least three rejected ones goes beyond `STRICT` of the limit; this is repeated
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
    mask = np.empty((h, w), dtype=np.int8)
    # Rejected samples in the order in which they were found: only those of the last round can take others along.
    queue = np.empty(h * w, dtype=np.int64)
    count = _beyond(deviation, limit, mask, queue)
    seen = 0
    for _ in range(3 if count > 2 else 0):
        first, seen = seen, count
        count = _taken_along(deviation, STRICT * limit, mask, queue, first, seen)
        for k in range(seen, count):
            mask[queue[k] // w, queue[k] % w] = 1
        if count == seen:
            break
    return mask, count


@njit(cache=True, nogil=True)
def _beyond(deviation: Float32, limit: float, mask: Int8, queue: Int64) -> int:
    """Mark and queue the samples beyond the limit; how many there are."""
    count = 0
    for j in range(deviation.shape[0]):
        row, marked, found = deviation[j], mask[j], 0
        for i in range(row.size):
            far = abs(row[i]) > limit
            marked[i] = far
            found += far
        for i in range(row.size if found > 0 else 0):
            if marked[i]:
                queue[count] = j * row.size + i
                count += 1
    return count


@njit(cache=True, nogil=True)
def _taken_along(deviation: Float32, strict: float, mask: Int8, queue: Int64, first: int, last: int) -> int:
    """Queue samples that go with the queued ones ``first`` to ``last``, and mark them 2; where the queue ends then."""
    h, w = deviation.shape
    count = last
    for k in range(first, last):
        y0, x0 = queue[k] // w, queue[k] % w
        for j in range(max(0, y0 - 2), min(h, y0 + 3)):
            for i in range(max(0, x0 - 2), min(w, x0 + 3)):
                if mask[j, i] != 0 or abs(deviation[j, i]) <= strict:
                    continue
                near = 0
                for y in range(max(0, j - 2), min(h, j + 3)):
                    for x in range(max(0, i - 2), min(w, i + 3)):
                        near += mask[y, x] == 1
                if near >= 3:
                    mask[j, i] = 2
                    queue[count] = j * w + i
                    count += 1
    return count


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
    mask: Int8, z: Float32, y0: int, x0: int, bend: Float64, cell: Int64, oy: int, ox: int, counts: Float32,
    totals: Int64,
) -> None:  # fmt: skip
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
    totals : (4,) int64, added to
        Rejected samples per plane, wherever they lie.
    """
    h, w = mask.shape
    ph, pw = counts.shape
    row = np.empty((2, 4))
    across, down = row[0], row[1]
    for j in range(h):
        marked, found = mask[j], 0
        for i in range(w):
            found += marked[i]
        for left in range(min(2, w) if found > 0 else 0):
            plane = cell[(y0 + j) % 2, (x0 + left) % 2]
            along_row(bend[plane], y0 + j, ox, oy, row)
            for i in range(left, w, 2):
                if marked[i] == 0 or z[j, i] != z[j, i]:
                    continue
                totals[plane] += 1
                x, y = int(np.rint(place(across, x0 + i))), int(np.rint(place(down, x0 + i)))
                if 0 <= x < pw and 0 <= y < ph:
                    counts[y, x] += 1
