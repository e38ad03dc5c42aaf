"""Samples of one tile from all frames, in one buffer, on the common scale of the reference frame.

Frames that touch a tile are rectangles of different sizes laid end to end in one float32 buffer:
``start[f]``, ``height[f]``, ``width[f]`` and the raw position ``y0[f]``, ``x0[f]`` of the first sample say where
each lies. NaN marks samples that are not there (defects, outside the frame).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from fourlight.core.lanes import LANES

__all__ = ["expected_variance", "normalised", "polynomial_terms", "spread", "weigh", "weighed"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Int8 = npt.NDArray[np.int8]
Int64 = npt.NDArray[np.int64]
Pair = tuple[float, float]


def polynomial_terms(order: int) -> Int64:
    """Exponents ``(n, 2)`` of x and y of all terms up to ``order``, constant first.

    >>> polynomial_terms(1).tolist()
    [[0, 0], [1, 0], [0, 1]]
    """
    pairs = [(total - j, j) for total in range(order + 1) for j in range(total + 1)]
    return np.array(pairs, dtype=np.int64)


@njit(cache=True, nogil=True)
def _row_of(coefficients: Float64, terms: Int64, v: float, row: Float64) -> int:
    """Write what the polynomials of four planes are along a row, each one of x alone; the highest power of x."""
    row[:] = 0.0
    top = 0
    for k in range(terms.shape[0]):
        power = 1.0
        for _ in range(terms[k, 1]):
            power *= v
        top = max(top, terms[k, 0])
        for plane in range(4):
            row[plane, terms[k, 0]] += coefficients[plane, k] * power
    return top


@njit(cache=True, nogil=True)
def _sky(first: Float64, second: Float64, top: int, u: Float64, sky: Float64) -> None:
    """Two polynomials in turns: the first at even elements of ``u``, the second at odd ones."""
    a, b = first[top], second[top]
    for i in range(u.size):
        sky[i] = a if i & 1 == 0 else b
    for k in range(top - 1, -1, -1):
        a, b = first[k], second[k]
        for i in range(u.size):
            sky[i] = sky[i] * u[i] + (a if i & 1 == 0 else b)


@njit(cache=True, nogil=True, error_model="numpy")
def _scaled(rect: Float32, sky: Float64, scale: Pair, out: Float32) -> None:
    """Samples of a row less the sky, over the scales of two planes in turns."""
    a, b = 1.0 / scale[0], 1.0 / scale[1]
    for i in range(out.size):
        out[i] = (rect[i] - sky[i]) * (a if i & 1 == 0 else b)


@njit(cache=True, nogil=True, error_model="numpy")
def _variances(
    response: Float32, sky: Float64, scale: Pair, dark: Pair, poisson: float, base: Float32, slope: Float32
) -> None:
    """``base`` and ``slope`` of a row; scale and dark of two planes in turns. An empty response (1, w) is 1."""
    s, s2 = scale
    d, d2 = dark
    if response.size == 0:
        a, b = 1.0 / s, 1.0 / s2
        for i in range(base.size):
            g = a if i & 1 == 0 else b
            base[i] = ((d if i & 1 == 0 else d2) + poisson * sky[i]) * (g * g)
            slope[i] = poisson * g
    else:
        for i in range(base.size):
            g = 1.0 / (response[0, i] * (s if i & 1 == 0 else s2))
            base[i] = ((d if i & 1 == 0 else d2) + poisson * sky[i] * response[0, i]) * (g * g)
            slope[i] = poisson * g


@njit(cache=True, nogil=True)
def normalised(
    rect: Float32, response: Float32, y0: int, x0: int, cell: Int64, coefficients: Float64, terms: Int64,
    shape: Int64, scale: Float64, dark: Float64, poisson: float, out: Float32, base: Float32, slope: Float32,
) -> None:  # fmt: skip
    """Put samples of one frame on the scale of the reference, with the variance each should have.

    A sample y of calibrated signal E behind a flat response r has variance ``(C + p E r) / r^2``: C is all
    noise that is not of the light, p is 1 for electrons and 0 where the gain is unknown. E is the frame's own
    sky difference D plus the reference's light times the scale s, so for the normalised sample
    ``z = (y - D) / s`` the variance is ``base + slope * reference`` with ``base = (C + p D r) / (r s)^2`` and
    ``slope = p / (r s)``.

    Parameters
    ----------
    rect : (h, w) float32
        Calibrated samples; the first is ``[y0, x0]`` of the frame.
    response : (h, w) float32
        Flat response of the samples, 1 where all light arrives; shape (0, 0) means 1 everywhere.
    cell : (2, 2) int64
        Plane index of ``[y % 2, x % 2]``.
    coefficients : (4, n) float64
        Sky difference of the frame to the reference per plane, for `polynomial_terms` of coordinates that run
        from -1 to 1 over the frame.
    terms : (n, 2) int64
    shape : (2,) int64
        ``ny, nx`` of the frame.
    scale : (4,) float64
        Light of the frame over that of the reference, per plane and pixel area.
    dark : (4,) float64
        C of each plane.
    poisson : float
        p.
    out, base, slope : (h * w,) float32, written
    """
    h, w = rect.shape
    u, sky, row = np.empty(w), np.empty(w), np.empty((4, terms.shape[0]))
    for i in range(w):
        u[i] = 2.0 * (x0 + i) / (shape[1] - 1) - 1.0
    for j in range(h):
        top = _row_of(coefficients, terms, 2.0 * (y0 + j) / (shape[0] - 1) - 1.0, row)
        a, b = cell[(y0 + j) % 2, x0 % 2], cell[(y0 + j) % 2, (x0 + 1) % 2]
        part = slice(j * w, (j + 1) * w)
        _sky(row[a], row[b], top, u, sky)
        _scaled(rect[j], sky, (scale[a], scale[b]), out[part])
        _variances(
            response[j : j + 1], sky, (scale[a], scale[b]), (dark[a], dark[b]), poisson, base[part], slope[part]
        )  # fmt: skip


@njit(cache=True, nogil=True)
def expected_variance(base: float, slope: float, level: float, floor: float) -> float:
    """Variance of a normalised sample where the reference has this level; never under ``floor``.

    >>> expected_variance(4.0, 1.0, 100.0, 2.0), expected_variance(4.0, 1.0, -50.0, 2.0)
    (104.0, 2.0)
    """
    variance = base + slope * level if level == level else floor
    return variance if variance > floor else floor


@njit(cache=True, nogil=True, error_model="numpy")
def weighed(
    base: float, slope: float, sky: float, level: float, floor: float, merit: float, shared: float
) -> tuple[float, float]:
    """Weight w of a normalised sample, and w^2 v: what its noise adds to a sum of weighted samples.

    The weight is the inverse of the variance at the sky level, for light of the object must not change weights,
    or fluxes would be biased; the variance v is that at the level the reference has. ``merit`` is what else a
    frame's weight is multiplied by. ``shared`` is added to v alone: noise that other frames repeat, see
    `fourlight.stages.frame_facts.repeated`.
    """
    weight = merit / expected_variance(base, slope, sky, floor)
    light = level if level == level else sky
    return weight, weight * weight * (expected_variance(base, slope, light, floor) + shared)


@njit(cache=True, nogil=True, error_model="numpy")
def weigh(
    z: Float32, base: Float32, slope: Float32, bad: Int8, level: Float32, count: int, sky: float, floor: float,
    merit: float, shared: float, out: Float32,
) -> None:  # fmt: skip
    """Weights of every second sample of a row; those of rejected and missing ones are 0.

    Parameters
    ----------
    z, base, slope, bad : (n,)
        Normalised samples, what their variance is made of, and rejection mask.
    level : (LANES,) float32
        Level of the reference at every second sample.
    count : int
        How many of them, at most `fourlight.core.lanes.LANES`.
    sky, floor, merit, shared : float
        As in `weighed`.
    out : (3 * LANES,) float32, written
        Weight w, then from ``LANES`` on w z, then w^2 v.
    """
    for k in range(count):
        i = np.uintp(2 * k)
        weight, noise = weighed(base[i], slope[i], sky, level[k], floor, merit, shared)
        good = (bad[i] == 0) & (z[i] == z[i])
        kept = np.float32(weight) if good else np.float32(0)
        out[k] = kept
        out[LANES + k] = kept * z[i] if good else np.float32(0)
        out[2 * LANES + k] = np.float32(noise)


@njit(cache=True, nogil=True)
def spread(ref: Float32) -> Float32:
    """Largest minus smallest value of the 3 x 3 pixels around each pixel; NaN neighbours are left out.

    >>> spread(np.array([[0, 0, 0, 5]], np.float32)).tolist()
    [[0.0, 0.0, 5.0, 5.0]]
    """
    h, w = ref.shape
    out = np.empty((h, w), dtype=np.float32)
    low, high = np.empty(w + 2, dtype=np.float32), np.empty(w + 2, dtype=np.float32)
    low[0] = low[-1] = np.inf
    high[0] = high[-1] = -np.inf
    for j in range(h):
        _column_ends(ref[max(j - 1, 0)], ref[j], ref[min(j + 1, h - 1)], low[1:-1], high[1:-1])
        _row_spread(low, high, out[j])
    return out


@njit(cache=True, nogil=True)
def _column_ends(above: Float32, row: Float32, below: Float32, low: Float32, high: Float32) -> None:
    """Least and largest value of three rows at each place; +inf and -inf where all are NaN."""
    most = np.float32(np.inf)
    for i in range(row.size):
        least = above[i] if above[i] < most else most
        least = row[i] if row[i] < least else least
        low[i] = below[i] if below[i] < least else least
    for i in range(row.size):
        largest = above[i] if above[i] > -most else -most
        largest = row[i] if row[i] > largest else largest
        high[i] = below[i] if below[i] > largest else largest


@njit(cache=True, nogil=True)
def _row_spread(low: Float32, high: Float32, out: Float32) -> None:
    """Largest less least value of three neighbours each."""
    one, two = np.uintp(1), np.uintp(2)
    for i in range(out.size):
        k = np.uintp(i)
        least = low[k] if low[k] < low[k + one] else low[k + one]
        least = low[k + two] if low[k + two] < least else least
        largest = high[k] if high[k] > high[k + one] else high[k + one]
        largest = high[k + two] if high[k + two] > largest else largest
        out[i] = largest - least if largest >= least else np.float32(0)
