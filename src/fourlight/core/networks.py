"""Many columns of numbers sorted at once, by comparisons that are the same for all of them.

Columns lie side by side, so that a processor compares many of them by one instruction.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt
from numba import njit

from fourlight.core.lanes import LANES

__all__ = ["merging_network", "sort_columns", "sorted_eight"]

Float32 = npt.NDArray[np.float32]
Int64 = npt.NDArray[np.int64]


@lru_cache(maxsize=16)
def merging_network(count: int) -> Int64:
    """Comparisons (n, 3) that sort ``count`` rows once every eight are sorted: two rows, and pairs that follow below.

    The later stages of Batcher's odd-even merge sort (Batcher 1968, Sorting networks and their applications; Knuth, The
    Art of Computer Programming, vol. 3, 5.3.4; from memory).

    >>> values = [1, 3, 5, 7, 9, 11, 13, 15, 0, 2, 4]
    >>> for low, high, pairs in merging_network(11).tolist():
    ...     for k in range(pairs):
    ...         values[low + k], values[high + k] = sorted((values[low + k], values[high + k]))
    >>> values
    [0, 1, 2, 3, 4, 5, 7, 9, 11, 13, 15]
    """
    found = [np.empty((0, 3), dtype=np.int64)]
    steps = [1 << k for k in range(max(count - 1, 0).bit_length())]
    for merged in steps[3:]:
        for apart in [step for step in reversed(steps) if step <= merged]:
            low = np.arange(apart % merged, count - apart)
            paired = (low - apart % merged) // apart % 2 == 0
            together = low // (2 * merged) == (low + apart) // (2 * merged)
            low = low[paired & together]
            firsts = np.flatnonzero(np.diff(low, prepend=-2) != 1)
            pairs = np.diff(firsts, append=len(low))
            found.append(np.stack([low[firsts], low[firsts] + apart, pairs], axis=1))
    return np.concatenate(found)


@njit(cache=True, nogil=True)
def _ordered(a: np.float32, b: np.float32) -> tuple[np.float32, np.float32]:
    return a if a < b else b, b if a < b else a


@njit(cache=True, nogil=True)
def sorted_eight(
    a: np.float32, b: np.float32, c: np.float32, d: np.float32, e: np.float32, f: np.float32, g: np.float32,
    h: np.float32,
) -> tuple[np.float32, ...]:  # fmt: skip
    """Eight numbers in order, by 19 comparisons, the fewest there can be (Knuth, 5.3.4).

    >>> sorted_eight(5, 3, 8, 1, 9, 2, 7, 4)
    (1, 2, 3, 4, 5, 7, 8, 9)
    """
    (a, c), (b, d), (e, g), (f, h) = _ordered(a, c), _ordered(b, d), _ordered(e, g), _ordered(f, h)
    (a, e), (b, f), (c, g), (d, h) = _ordered(a, e), _ordered(b, f), _ordered(c, g), _ordered(d, h)
    (a, b), (c, d), (e, f), (g, h) = _ordered(a, b), _ordered(c, d), _ordered(e, f), _ordered(g, h)
    (c, e), (d, f) = _ordered(c, e), _ordered(d, f)
    (b, e), (d, g) = _ordered(b, e), _ordered(d, g)
    (b, c), (d, e), (f, g) = _ordered(b, c), _ordered(d, e), _ordered(f, g)
    return a, b, c, d, e, f, g, h


@njit(cache=True, nogil=True)
def _sort_eight(rows: Float32) -> None:
    """Sort each column of eight rows, one after the other in a flat array, while they are in the registers."""
    for k in range(LANES):
        i = np.uintp(k)
        a, b, c, d = rows[i], rows[i + LANES], rows[i + 2 * LANES], rows[i + 3 * LANES]
        e, f, g, h = rows[i + 4 * LANES], rows[i + 5 * LANES], rows[i + 6 * LANES], rows[i + 7 * LANES]
        a, b, c, d, e, f, g, h = sorted_eight(a, b, c, d, e, f, g, h)
        rows[i], rows[i + LANES], rows[i + 2 * LANES], rows[i + 3 * LANES] = a, b, c, d
        rows[i + 4 * LANES], rows[i + 5 * LANES], rows[i + 6 * LANES], rows[i + 7 * LANES] = e, f, g, h


@njit(cache=True, nogil=True)
def sort_columns(values: Float32, network: Int64) -> None:
    """Sort each column of rows ``LANES`` long, a multiple of eight of them, by the `merging_network` of their number.

    Rows beyond that number hold infinity. No value may be NaN.
    """
    flat = values.ravel()
    for k in range(0, flat.size, 8 * LANES):
        _sort_eight(flat[k : k + 8 * LANES])
    for k in range(network.shape[0]):
        low, high, pairs = network[k, 0] * LANES, network[k, 1] * LANES, network[k, 2] * LANES
        first, second = flat[low : low + pairs], flat[high : high + pairs]
        for i in range(first.size):
            a, b = first[i], second[i]
            first[i] = a if a < b else b
            second[i] = b if a < b else a
