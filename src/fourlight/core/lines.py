"""Long straight lines too faint to see in any single sample: sums along all lines of a coarse picture.

The sums along the lines of a picture of N columns are built in log2 N steps, each of which joins two neighbouring
strips (the fast discrete Radon transform: Goetz & Druckmueller 1996, Brady 1998).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit
from scipy.ndimage import uniform_filter1d

__all__ = ["Line", "strongest_line", "sums_along_lines"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]

SMOOTH = 25
"""Neighbouring lines over which what is broad (nebula, gradients) is taken off."""

PART = 4
"""One in so many lines tells how lines scatter."""


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line through (x, y) with a direction, in pixels of the picture it was found in."""

    x: float
    y: float
    angle: float
    """Radians from +x towards +y, in [0, pi)."""
    significance: float
    """Excess of the sum along it, in units of the scatter between lines."""


@njit(cache=True, nogil=True, error_model="numpy")
def _join(strips: Float32, out: Float32) -> None:
    """Fill ``out`` with the sums along lines in strips of twice as many columns; both are (strip, slope, start)."""
    count, slopes, height = out.shape
    for strip in range(count):
        for slope in range(slopes):
            left, right = strips[2 * strip, slope // 2], strips[2 * strip + 1, slope // 2]
            rise = (slope + 1) // 2
            to, both = out[strip, slope], max(0, height - rise)
            higher = right[height - both :]
            for start in range(both):
                to[start] = left[start] + higher[start]
            for start in range(both, height):
                to[start] = left[start]


def sums_along_lines(picture: Float32) -> Float32:
    """Sums along all lines that rise by 0 to N - 1 rows over the N columns of a picture.

    Parameters
    ----------
    picture : (rows, columns) float32
        Columns are filled up with zeros to a power of two, N.

    Returns
    -------
    (N, N + rows) float32
        Indexed by the rise, and by N plus the row where the line meets the first column.

    Examples
    --------
    >>> sums = sums_along_lines(np.eye(4, dtype=np.float32))
    >>> float(sums[3, 4]), float(sums[0, 4])
    (4.0, 1.0)
    """
    rows, columns = picture.shape
    size = 1 << max(1, int(np.ceil(np.log2(max(columns, 2)))))
    height = size + rows
    strips, joined = np.zeros((size, 1, height), dtype=np.float32), np.empty(size * height, dtype=np.float32)
    strips[:columns, 0, size:] = picture.T
    width = 1
    while width < size:
        width *= 2
        longer = joined.reshape(size // width, width, height)
        _join(strips, longer)
        strips, joined = longer, strips.ravel()
    return np.asarray(strips[0])


def strongest_line(values: Float32, shortest: float) -> Line | None:
    """The line along which values are highest compared with the lines beside it.

    Parameters
    ----------
    values : (rows, columns) float32
        Excess in units of its scatter; NaN where nothing is known.
    shortest : float
        Lines with fewer known values are left out.

    Returns
    -------
    Line or None
        None where no line is long enough.
    """
    known = np.isfinite(values)
    filled = np.where(known, values, 0.0).astype(np.float32)
    best = None
    for turned, mirrored in ((False, False), (False, True), (True, False), (True, True)):
        one, there = (_oriented(part, turned, mirrored) for part in (filled, known.astype(np.float32)))
        found = _peak(sums_along_lines(one), sums_along_lines(there), shortest)
        if found is not None and (best is None or found[2] > best.significance):
            best = _line(*found, one.shape, turned, mirrored)
    return best


def _oriented(picture: Float32, turned: bool, mirrored: bool) -> Float32:
    picture = picture.T if turned else picture
    return np.ascontiguousarray(picture[::-1] if mirrored else picture)


def _peak(total: Float32, count: Float32, shortest: float) -> tuple[int, int, float] | None:
    """Rise, place and significance of the highest sum."""
    short = count < shortest
    if short.size - short.sum() < 1000:
        return None
    pull = total / np.sqrt(np.maximum(count, 1.0))
    pull[short] = 0.0
    pull -= uniform_filter1d(pull, SMOOTH, axis=1)
    # Neighbouring lines share most of their pixels: a part of them tells the scatter of all.
    scatter = 1.4826 * float(np.median(np.abs(pull[~short][::PART])))
    if scatter <= 0:
        return None
    pull[short] = -np.inf
    rise, start = np.unravel_index(int(np.argmax(pull)), pull.shape)
    return int(rise), int(start) - total.shape[0], float(pull[rise, start]) / scatter


def _line(
    rise: int, start: int, significance: float, shape: tuple[int, int], turned: bool, mirrored: bool
) -> Line:
    """The line in the pixels of the picture before it was turned and mirrored."""
    rows, columns = shape
    size = 1 << max(1, int(np.ceil(np.log2(max(columns, 2)))))
    slope = rise / (size - 1)
    x, y = 0.5 * (columns - 1), start + slope * 0.5 * (columns - 1)
    if mirrored:
        y, slope = rows - 1 - y, -slope
    along = np.array([1.0, slope])
    if turned:
        x, y, along = y, x, along[::-1]
    return Line(x, y, float(np.arctan2(along[1], along[0]) % np.pi), significance)
