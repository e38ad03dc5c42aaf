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
from fourlight.core.samples import expected_variance

__all__ = ["deviations", "residuals", "widen_at_stars"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
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
def deviations(
    z: Float32, base: Float32, slope: Float32, y0: int, x0: int, bend: Float64, cell: Int64, ref: Float32,
    scatter: Float32, behind: npt.NDArray[np.int32], ranges: Float32, oy: int, ox: int, floor: Float64,
    tolerance: float,
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
        Reference, scatter between frames and local range per plane; the first pixel is ``[oy, ox]``.
    behind : (4, ph, pw) int32
        Frames behind the reference. It is uncertain itself: the median of n frames has pi / 2 n of a sample's
        variance; of a single frame nothing can be told.
    floor : (4,) float64
        Least variance of a sample per plane.
    tolerance : float
        Share of the local range that is always allowed.

    Returns
    -------
    (h, w) float32
        Zero where it cannot be told.
    """
    h, w = z.shape
    out = np.zeros((h, w), dtype=np.float32)
    rows = np.empty((4, 2, 4))
    for j in range(h):
        for k in range(4):
            along_row(bend[k], y0 + j, ox, oy, rows[k])
        for i in range(w):
            value = z[j, i]
            if value != value:
                continue
            plane = cell[(y0 + j) % 2, (x0 + i) % 2]
            x, y = place(rows[plane, 0], x0 + i), place(rows[plane, 1], x0 + i)
            expected = _sampled(ref[plane], x, y)
            if expected != expected:
                continue
            jj, ii = int(np.rint(y)), int(np.rint(x))
            n = behind[plane, jj, ii]
            if n < 2:
                continue
            variance = expected_variance(base[j, i], slope[j, i], expected, floor[plane])
            sigma = max(np.sqrt(variance * (1 + np.pi / 2 / n)), scatter[plane, jj, ii])
            excess = value - expected
            allowed = tolerance * ranges[plane, jj, ii]
            if abs(excess) > allowed:
                out[j, i] = (excess - allowed if excess > 0 else excess + allowed) / sigma
    return out


@njit(cache=True, nogil=True)
def widen_at_stars(
    ranges: Float32, behind: npt.NDArray[np.int32], x: Float64, y: Float64, peak: Float64, sigma: Float64, oy: int,
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
    for j in range(h):
        along_row(bend, y0 + j, ox, oy, row)
        for i in range(w):
            if cell[(y0 + j) % 2, (x0 + i) % 2] != plane:
                continue
            x, y = place(row[0], x0 + i), place(row[1], x0 + i)
            excess = z[j, i] - _sampled(ref, x, y)
            if excess != excess or ranges[int(np.rint(y)), int(np.rint(x))] > flat:
                continue
            level = ref[int(np.rint(y)), int(np.rint(x))]
            out[n] = excess / np.sqrt(expected_variance(base[j, i], slope[j, i], level, floor))
            n += 1
    return out[:n].copy()  # a view would keep the whole buffer alive
