"""Robust reference of a tile: the median over frames of the nearest own-plane sample, and the scatter about it.

Pixels are worked on in blocks of a row, each pixel a lane: the samples of all frames are laid under each other and
sorted by comparisons that are the same for all lanes, so that a processor compares many pixels at once.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from fourlight.core.bends import along_row
from fourlight.core.lanes import LANES, fetch, places
from fourlight.core.networks import sort_columns

__all__ = ["middles", "reference"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Int32 = npt.NDArray[np.int32]
Int64 = npt.NDArray[np.int64]

NORMAL = 1.4826
"""Standard deviation of a normal distribution over its median absolute deviation."""

_GAIN = 1.3
"""Distance from a place to where the weighted mean comes to rest, over that to the weighted mean there: 1.2 to 1.47."""


@njit(cache=True, nogil=True)
def _in_samples(bend: Float64, y: float, x0: int, y0: int, left: int, top: int, row: Float64) -> None:
    """Like `along_row`, in samples of a plane, which stand at every second pixel of a frame.

    The whole part is the number of the nearest sample, the one at ``[y0 + top, x0 + left]`` being number one.
    """
    along_row(bend, y, x0 + left, y0 + top, row)
    for k in range(4):
        row[0, k] *= 0.5
        row[1, k] *= 0.5
    row[0, 0] += 1.5
    row[1, 0] += 1.5


@njit(cache=True, nogil=True)
def _nearest(at: Float64, height: int, width: int, left: int, top: int, numbers: Int32) -> None:
    """Number within a frame's rectangle of the sample at each place, in samples from `places`.

    Whether there is one, 1 or 0, goes to ``numbers`` from ``LANES`` on.
    """
    columns, rows = (width - left + 1) // 2 + 1.0, (height - top + 1) // 2 + 1.0
    down, origin = 2.0 * width, (top - 2.0) * width + left - 2.0
    for k in range(LANES):
        x, y = at[k], at[LANES + k]
        inside = (x >= 1.0) & (y >= 1.0) & (x < columns) & (y < rows)
        numbers[k] = np.int32(origin + down * np.floor(y) + 2.0 * np.floor(x) if inside else 0.0)
        numbers[LANES + k] = np.int32(inside)


@njit(cache=True, nogil=True)
def _counted(numbers: Int32, values: Float32, count: Int32) -> None:
    """Put +inf where there is no sample; ``count`` grows by one where there is one."""
    for k in range(LANES):
        value = values[k]
        there = (numbers[LANES + k] != 0) & (value == value)
        values[k] = value if there else np.float32(np.inf)
        count[k] += np.int32(there)


@njit(cache=True, nogil=True)
def middles(values: Float32, n: int, middle: Float32, scatter: Float32, upper: Float32) -> None:
    """Median and scatter of columns of ``n`` sorted values.

    Values within some distance of the median follow each other, so that the k-th smallest distance is the least,
    over k values in a row, of the larger distance of their ends.
    """
    low = (n - 1) // 2
    high = low if n < 6 else n // 2
    first, second = values[low], values[high]
    for i in range(middle.size):
        middle[i] = first[i] if low == high else np.float32(0.5) * (first[i] + second[i])
        scatter[i] = 0.0 if n < 5 else np.inf
        upper[i] = np.inf
    for k in range(n - low if n >= 5 else 0):
        first, second, third = values[k], values[k + low], values[min(k + high, n - 1)]
        beyond = np.float32(0.0 if k + high < n else np.inf)
        for i in range(middle.size):
            below = middle[i] - first[i]
            one, two = second[i] - middle[i], third[i] - middle[i] + beyond
            one, two = below if below > one else one, below if below > two else two
            scatter[i] = one if one < scatter[i] else scatter[i]
            upper[i] = two if two < upper[i] else upper[i]
    for i in range(middle.size):
        half = scatter[i] if low == high else np.float32(0.5) * (scatter[i] + upper[i])
        scatter[i] = NORMAL * half


@njit(cache=True, nogil=True)
def _centred(values: Float32, n: int, width: float, middle: Float32, sums: Float32) -> None:
    """Move medians of columns of ``n`` whole numbers to the mean of the values around them.

    The weight falls off smoothly, as for levels of sky cells. ``sums`` (2, LANES) is work space.
    """
    totals, firsts = sums[0], sums[1]
    scale, end = np.float32(1.0 / (16.0 * width * width)), np.float32(4.0 * width)
    one, nothing, gain = np.float32(1.0), np.float32(0.0), np.float32(_GAIN)
    for _ in range(2):
        sums[:] = 0.0
        for k in range(n):
            row = values[k]
            for i in range(middle.size):
                away = row[i] - middle[i]
                away = away if away < end else end  # also where there is no sample
                weight = max(one - scale * away * away, nothing)
                weight *= weight
                weight *= weight
                weight *= weight
                totals[i] += weight
                firsts[i] += weight * away
        for i in range(middle.size):
            middle[i] += gain * firsts[i] / totals[i] if totals[i] > nothing else nothing


@njit(cache=True, nogil=True)
def _one_by_one(values: Float32, count: Int32, most: int, middle: Float32, scatter: Float32) -> None:
    """The same for each column that does not have ``most`` values, which come first in it."""
    for i in range(count.size):
        n = count[i]
        if n == most and n > 0:
            continue
        low = (n - 1) // 2
        high = low if n < 6 else n // 2
        centre = np.float32(0.5) * (values[low, i] + values[high, i]) if n > 0 else np.float32(np.nan)
        one = two = np.float32(np.inf)
        for k in range(n - low if n >= 5 else 0):
            below = centre - values[k, i]
            one = min(one, max(below, values[k + low, i] - centre))
            if k + high < n:
                two = min(two, max(below, values[k + high, i] - centre))
        middle[i] = centre
        scatter[i] = NORMAL * (np.float32(0.5) * (one + two)) if n >= 5 else 0.0


@njit(cache=True, nogil=True)
def reference(
    buffer: Float32, start: Int64, height: Int64, width: Int64, y0: Int64, x0: Int64, unbend: Float64,
    top: Int64, left: Int64, oy: int, ox: int, network: Int64, around: float, ref: Float32, scatter: Float32,
    behind: Int32,
) -> None:  # fmt: skip
    """Median over frames of the nearest own-plane sample, and the scatter about it, for each output pixel.

    Parameters
    ----------
    buffer, start, height, width, y0, x0
        Samples of the tile, see `fourlight.core.samples`; no rectangle is empty.
    unbend : (f, 2, 4, 4) float64
        Maps from output to frame pixels, see `fourlight.core.bends`.
    top, left : (f,) int64
        Row and column, 0 or 1, of the plane's first sample in each rectangle.
    oy, ox : int
        Output position of the first pixel of ``ref``.
    network : (n, 3) int64
        `fourlight.core.networks.merging_network` of the number of frames.
    around : float
        Where samples are whole numbers about as coarse as their noise, the width of the weight with which those around
        the median are averaged: the median is a whole number itself, off by up to half a step. 0: the median stays.
    ref, scatter : (h, w) float32, written
        NaN where no frame has a sample; scatter is 1.4826 times the median absolute deviation, 0 with fewer
        than five samples. With fewer than six samples the lower one of two middle ones counts, since outliers are
        mostly bright.
    behind : (h, w) int32, written
        Frames that have a sample there.
    """
    frames = start.size
    # Rows that no frame fills stay infinite, and sort last.
    values = np.full(((frames + 7) // 8 * 8, LANES), np.float32(np.inf))
    rows = np.empty((frames, 2, 4))
    at, numbers = np.empty(2 * LANES), np.empty(2 * LANES, dtype=np.int32)
    count = np.empty(LANES, dtype=np.int32)
    middle, spare = np.empty(LANES, dtype=np.float32), np.empty(LANES, dtype=np.float32)
    wide, sums = np.empty(LANES, dtype=np.float32), np.empty((2, LANES), dtype=np.float32)
    for j in range(ref.shape[0]):
        for f in range(frames):
            _in_samples(unbend[f], oy + j, x0[f], y0[f], left[f], top[f], rows[f])
        for first in range(0, ref.shape[1], LANES):
            count[:] = 0
            for f in range(frames):
                places(rows[f], ox + first, 1, count.size, at)
                _nearest(at, height[f], width[f], left[f], top[f], numbers)
                fetch(buffer[start[f] : start[f] + height[f] * width[f]], numbers, count.size, values[f])
                _counted(numbers, values[f], count)
            sort_columns(values, network)
            most = 0
            for k in range(LANES):
                most = max(most, count[k])
            if most > 0:
                middles(values, most, middle, wide, spare)
            _one_by_one(values, count, most, middle, wide)
            if around > 0.0:
                _centred(values, most, around, middle, sums)
            for k in range(min(LANES, ref.shape[1] - first)):
                ref[j, first + k], scatter[j, first + k], behind[j, first + k] = middle[k], wide[k], count[k]
