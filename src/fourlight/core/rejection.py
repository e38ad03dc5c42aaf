"""Telling samples that other frames contradict: satellite trails, cosmic rays, hot samples.

A sample is rejected where it differs from the reference by more than the threshold in units of its expected
noise plus a share of the local range of the reference, so that steep star flanks, on which a sample and the
reference differ by place and seeing, are left alone. Rejected samples then lower the threshold for their
neighbours: the wings of a trail go with its core. Of a star sharper than the samples of a plane are dense, few
frames may show nothing; what it could show counts as part of the local range.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from fourlight.core.bends import along_row, place
from fourlight.core.lanes import LANES, fetch, places
from fourlight.core.samples import expected_variance

__all__ = ["deviations", "residuals", "widen_at_stars"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Int8 = npt.NDArray[np.int8]
Int32 = npt.NDArray[np.int32]
Int64 = npt.NDArray[np.int64]


@njit(cache=True, nogil=True)
def _sampled(image: Float32, x: float, y: float) -> float:
    """Bilinear value, that of the nearest pixel where a neighbour is NaN; NaN outside."""
    h, w = image.shape
    if not (0.0 <= x <= w - 1.0 and 0.0 <= y <= h - 1.0):
        return np.nan
    i, j = min(int(x), w - 2), min(int(y), h - 2)
    u, v = x - i, y - j
    low = image[j, i] * (1 - u) + image[j, i + 1] * u
    high = image[j + 1, i] * (1 - u) + image[j + 1, i + 1] * u
    value = float(low * (1 - v) + high * v)
    # At the rim of the stack a plane's outer row or column has no neighbour on one side.
    return value if value == value else float(image[int(np.rint(y)), int(np.rint(x))])


@njit(cache=True, nogil=True)
def _corners(at: Float64, count: int, h: int, w: int, numbers: Int32, shares: Float32) -> None:
    """Number of the upper left one of the four pixels around each place from `places`; 0 outside.

    Whether it is inside, 1 or 0, goes to ``numbers`` from ``LANES`` on; how far it is past that pixel to ``shares``
    (2 * LANES,): to the right, then, from ``LANES`` on, down.
    """
    right, low, across = w - 1.0, h - 1.0, float(w)
    for k in range(count):
        x, y = at[k], at[LANES + k]
        i, j = np.floor(x if x < right else right - 1.0), np.floor(y if y < low else low - 1.0)
        inside = (x >= 0.0) & (y >= 0.0) & (x <= right) & (y <= low)
        numbers[k] = np.int32(j * across + i if inside else 0.0)
        numbers[LANES + k] = np.int32(inside)
        shares[k] = np.float32(x - i)
        shares[LANES + k] = np.float32(y - j)


@njit(cache=True, nogil=True)
def _around(image: Float32, numbers: Int32, count: int, w: int, values: Float32) -> None:
    """The four pixels around each place, to ``values`` (4 * LANES,)."""
    for k in range(count):
        first = np.uint32(numbers[k])
        values[k] = image[first]
        values[LANES + k] = image[first + np.uint32(1)]
        values[2 * LANES + k] = image[first + np.uint32(w)]
        values[3 * LANES + k] = image[first + np.uint32(w + 1)]


@njit(cache=True, nogil=True)
def _suspicious(
    z: Float32, base: Float32, slope: Float32, numbers: Int32, shares: Float32, values: Float32, count: int,
    floor: float, least: float, far: Int8,
) -> int:  # fmt: skip
    """Mark every second sample of a row that may be farther than ``least`` from the reference; how many there are."""
    most, lowest, there = np.float32(0.98 * least * least), np.float32(floor), 0
    for k in range(count):
        i = np.uintp(2 * k)
        u, v = shares[k], shares[LANES + k]
        above = values[k] + (values[LANES + k] - values[k]) * u
        below = values[2 * LANES + k] + (values[3 * LANES + k] - values[2 * LANES + k]) * u
        expected = above + (below - above) * v
        excess = z[i] - expected
        variance = base[i] + slope[i] * expected
        variance = variance if variance > lowest else lowest
        # Where the reference or the sample is NaN this is false.
        near = excess * excess <= most * variance
        far[k] = 0 if near or numbers[LANES + k] == 0 else 1
        there += z[i] == z[i]
    return there


@njit(cache=True, nogil=True)
def _pick(
    z: Float32, base: Float32, slope: Float32, at: Float64, values: Float32, far: Int8, count: int, w: int,
    picked: Int32, known: Float32,
) -> int:  # fmt: skip
    """List the marked samples, the numbers of the pixels nearest to them, and what is known of them; how many."""
    found = 0
    for k in range(count):
        picked[found] = k
        found += far[k]
    for n in range(found):
        k = picked[n]
        picked[LANES + n] = np.int32(np.rint(at[LANES + k]) * w + np.rint(at[k]))
        known[n], known[LANES + n], known[2 * LANES + n] = z[2 * k], base[2 * k], slope[2 * k]
        for corner in range(4):
            known[(3 + corner) * LANES + n] = values[corner * LANES + k]
        at[n], at[LANES + n] = at[k], at[LANES + k]
    return found


@njit(cache=True, nogil=True, error_model="numpy")
def _work_out(
    at: Float64, known: Float32, frames: Int32, found: int, h: int, w: int, floor: float, tolerance: float, out: Float32
) -> None:  # fmt: skip
    """Deviations of the listed samples; ``known`` holds ten numbers of each, from `_pick` and `deviations`."""
    right, low = w - 1.0, h - 1.0
    for k in range(found):
        x, y = at[k], at[LANES + k]
        u, v = x - np.floor(x if x < right else right - 1.0), y - np.floor(y if y < low else low - 1.0)
        above = known[3 * LANES + k] * (1 - u) + known[4 * LANES + k] * u
        below = known[5 * LANES + k] * (1 - u) + known[6 * LANES + k] * u
        expected = above * (1 - v) + below * v
        # At the rim of the stack a plane's outer row or column has no neighbour on one side.
        expected = expected if expected == expected else known[7 * LANES + k]
        variance = known[LANES + k] + known[2 * LANES + k] * expected
        variance = variance if variance > floor else floor
        sigma = np.sqrt(variance * (1 + np.pi / 2 / frames[k]))
        sigma = sigma if sigma > known[8 * LANES + k] else known[8 * LANES + k]
        excess, allowed = known[k] - expected, tolerance * known[9 * LANES + k]
        beyond = (excess - allowed if excess > 0 else excess + allowed) / sigma
        # False where the sample or the reference is NaN
        out[k] = beyond if (abs(excess) > allowed) & (frames[k] > 1) else 0.0


@njit(cache=True, nogil=True)
def deviations(
    z: Float32, base: Float32, slope: Float32, y0: int, x0: int, bend: Float64, cell: Int64, ref: Float32,
    scatter: Float32, behind: Int32, ranges: Float32, oy: int, ox: int, floor: Float64, tolerance: float, least: float,
    used: Int64,
) -> Float32:  # fmt: skip
    """Deviation of each sample from the reference, in units of what is expected of a good one.

    Parameters
    ----------
    z, base, slope : (h, w) float32
        Normalised samples of one frame and their variance, see `fourlight.core.samples.normalised`; the first
        is ``[y0, x0]`` of the frame.
    bend : (4, 2, 4, 4) float64
        Map from frame to output pixels per plane, see `fourlight.core.bends`.
    ref, scatter, ranges : (4, ph, pw) float32
        Reference, scatter between frames and local range per plane, 2 x 2 at least; the first pixel is ``[oy, ox]``.
    behind : (4, ph, pw) int32
        Frames behind the reference. It is uncertain itself: the median of n frames has pi / 2 n of a sample's
        variance; of a single frame nothing can be told.
    floor : (4,) float64
        Least variance of a sample per plane.
    tolerance : float
        Share of the local range that is always allowed.
    least : float
        Smaller deviations may be given as 0: few are left to be worked out.
    used : (4,) int64, added to
        Samples per plane that are not NaN.

    Returns
    -------
    (h, w) float32
        Zero where it cannot be told.
    """
    h, w = z.shape
    ph, pw = ref.shape[1:]
    out = np.empty((h, w), dtype=np.float32)
    row, at, numbers = np.empty((2, 4)), np.empty(2 * LANES), np.empty(2 * LANES, dtype=np.int32)
    shares, values = np.empty(2 * LANES, dtype=np.float32), np.empty(4 * LANES, dtype=np.float32)
    far, picked = np.empty(LANES, dtype=np.int8), np.empty(2 * LANES, dtype=np.int32)
    known, frames = np.empty(10 * LANES, dtype=np.float32), np.empty(LANES, dtype=np.int32)
    beyond = np.empty(LANES, dtype=np.float32)
    for j in range(h):
        out[j] = 0.0
        for left in range(min(2, w)):
            plane = cell[(y0 + j) % 2, (x0 + left) % 2]
            along_row(bend[plane], y0 + j, ox, oy, row)
            for i in range(left, w, 2 * LANES):
                count = min(LANES, (w - i + 1) // 2)
                places(row, x0 + i, 2, count, at)
                _corners(at, count, ph, pw, numbers, shares)
                _around(ref[plane].ravel(), numbers, count, pw, values)
                used[plane] += _suspicious(
                    z[j, i:], base[j, i:], slope[j, i:], numbers, shares, values, count, floor[plane], least, far
                )  # fmt: skip
                found = _pick(
                    z[j, i:], base[j, i:], slope[j, i:], at, values, far, count, pw, picked, known
                )  # fmt: skip
                fetch(ref[plane].ravel(), picked[LANES:], found, known[7 * LANES :])
                fetch(scatter[plane].ravel(), picked[LANES:], found, known[8 * LANES :])
                fetch(ranges[plane].ravel(), picked[LANES:], found, known[9 * LANES :])
                fetch(behind[plane].ravel(), picked[LANES:], found, frames)
                _work_out(at, known, frames, found, ph, pw, floor[plane], tolerance, beyond)
                for k in range(found):
                    out[j, i + 2 * picked[k]] = beyond[k]
    return out


@njit(cache=True, nogil=True)
def widen_at_stars(
    ranges: Float32, behind: Int32, x: Float64, y: Float64, peak: Float64, sigma: Float64, oy: int,
    ox: int,
) -> None:  # fmt: skip
    """Raise the local range, in place, to what each star can contribute within one pixel of a place.

    Only as far as the reference cannot know it: wholly for up to five frames and stars of 1.5 px or less (FWHM),
    not at all from ten frames or 3 px on, so that trails over stars stay visible.

    Parameters
    ----------
    ranges : (4, ph, pw) float32
        Local range per plane; the first pixel is ``[oy, ox]``.
    x, y : (n,) float64
        Stars, output pixels.
    peak : (n, 4) float64
        Light of their brightest sample per plane.
    sigma : (4,) float64
        Width of a Gaussian star per plane, output pixels.
    behind : (4, ph, pw) int32
        Frames behind the reference.

    Examples
    --------
    >>> ranges = np.zeros((4, 1, 6), np.float32)
    >>> few = np.full((4, 1, 6), 2, np.int32)
    >>> widen_at_stars(ranges, few, np.zeros(1), np.zeros(1), np.full((1, 4), 9.0), np.full(4, 0.6), 0, 0)
    >>> [round(float(value), 1) for value in ranges[0, 0]]
    [9.0, 9.0, 2.2, 0.0, 0.0, 0.0]
    """
    _, h, w = ranges.shape
    for k in range(x.size):
        for plane in range(4):
            sharp = min(max((3.0 - 2.355 * sigma[plane]) / 1.5, 0.0), 1.0)
            if sharp == 0.0:
                continue
            reach = 1.0 + 4.0 * sigma[plane]
            for j in range(max(0, int(y[k] - oy - reach)), min(h, int(y[k] - oy + reach) + 2)):
                for i in range(max(0, int(x[k] - ox - reach)), min(w, int(x[k] - ox + reach) + 2)):
                    gap = max(np.hypot(y[k] - oy - j, x[k] - ox - i) - 1.0, 0.0) / sigma[plane]
                    few = min(max((10.0 - behind[plane, j, i]) / 5.0, 0.0), 1.0)
                    light = np.float32(few * sharp * peak[k, plane] * np.exp(-0.5 * gap * gap))
                    ranges[plane, j, i] = max(ranges[plane, j, i], light)


@njit(cache=True, nogil=True)
def residuals(
    z: Float32, base: Float32, slope: Float32, y0: int, x0: int, bend: Float64, cell: Int64, plane: int,
    ref: Float32, ranges: Float32, oy: int, ox: int, floor: float, flat: float,
) -> Float32:  # fmt: skip
    """Residuals of one plane's samples from the reference over their expected noise, in flat places only.

    Parameters
    ----------
    z, base, slope, y0, x0, cell, oy, ox
        As in `deviations`.
    bend : (2, 4, 4) float64
        Map of this plane's samples.
    plane : int
    ref, ranges : (ph, pw) float32
        Reference and local range of this plane.
    floor : float
    flat : float
        Places of a larger local range are left out: there a sample differs by where it lies.

    Returns
    -------
    (n,) float32
    """
    h, w = z.shape
    out = np.empty(h * w, dtype=np.float32)
    n = 0
    row = np.empty((2, 4))
    across, down = row[0], row[1]
    for j in range(h):
        along_row(bend, y0 + j, ox, oy, row)
        for i in range(w):
            if cell[(y0 + j) % 2, (x0 + i) % 2] != plane:
                continue
            x, y = place(across, x0 + i), place(down, x0 + i)
            excess = z[j, i] - _sampled(ref, x, y)
            if excess != excess or ranges[int(np.rint(y)), int(np.rint(x))] > flat:
                continue
            level = ref[int(np.rint(y)), int(np.rint(x))]
            out[n] = excess / np.sqrt(expected_variance(base[j, i], slope[j, i], level, floor))
            n += 1
    return out[:n].copy()  # a view would keep the whole buffer alive
