"""Drizzle of mosaic samples: each colour plane from its own samples, with variance and half stacks.

Every sample is a drop that is shared out over the output pixels it touches (Fruchter & Hook 2002). Values are
weighted means. The variance is that of sums over areas: a sample i with variance v_i reaches the output with
total weight S_i = sum_j w_i a_ij / W_j, so the noise power it adds is v_i S_i^2, laid down where the sample lies.
This holds for uneven coverage too, where the usual one-pixel propagation and the usual correction do not.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from fourlight.core.bends import along_row
from fourlight.core.fours import add_to_four, four, four_more, four_squared
from fourlight.core.lanes import LANES, fetch, places
from fourlight.core.samples import weigh

__all__ = ["area_factor", "deposit_values", "deposit_variance", "first_sample"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Int32 = npt.NDArray[np.int32]
Int64 = npt.NDArray[np.int64]
Int8 = npt.NDArray[np.int8]


def area_factor(drop_px: float, block: int = 8) -> float:
    """Variance of the mean of a square block over VAR / n, for drops of side ``drop_px`` output pixels.

    Drops that straddle the rim of a block share their noise with the next one: per axis the factor is
    1 - p / (3 L) (Fruchter & Hook 2002, eq. 9, inverted for L / p >= 1; Casertano et al. 2000, App. A).

    >>> round(area_factor(1.0, 1), 4), round(area_factor(1.0, 8), 4)
    (0.4444, 0.9184)
    """
    p, side = drop_px, float(block)
    axis = 1 - p / (3 * side) if p <= side else (side / p) * (1 - side / (3 * p))
    return axis * axis


@njit(cache=True, nogil=True)
def _drops(at: Float64, count: int, n: int, phases: int, ph: int, pw: int, drops: Int32) -> None:
    """Where drops of n x n pixels fall: first pixel (-1: not wholly on the tile), entry of the table, nearest pixel.

    ``at`` is from `fourlight.core.lanes.places`, of the first corner; the three numbers go to ``drops`` (3 * LANES,),
    all of the first kind first.
    """
    right, low, across, middle = float(pw - n), float(ph - n), float(pw), 0.5 * (n - 2) + 0.5
    for k in range(count):
        x, y = at[k], at[LANES + k]
        i, j = np.floor(x), np.floor(y)
        inside = (i >= 0.0) & (j >= 0.0) & (i <= right) & (j <= low)
        drops[k] = np.int32(j * across + i if inside else -1.0)
        drops[LANES + k] = np.int32(np.floor((x - i) * phases) * phases + (y - j) * phases)
        near = np.floor(y + middle) * across + np.floor(x + middle)
        drops[2 * LANES + k] = np.int32(near if inside else 0.0)


@njit(cache=True, nogil=True)
def _lay_values(
    drops: Int32, count: int, weights: Float32, table: Float32, n: int, pw: int, sums: Float32
) -> None:
    for k in range(count):
        weight, light, noise = weights[k], weights[LANES + k], weights[2 * LANES + k]
        if drops[k] < 0 or weight == 0:
            continue
        entry, first = np.uint64(n * n * drops[LANES + k]), np.uint64(4 * drops[k])
        for j in range(n):
            for i in range(n):
                share = table[entry + np.uint64(n * j + i)]
                part = four(light, weight, weight * weight, noise * share)
                add_to_four(sums, first + np.uint64(4 * (pw * j + i)), part, share)


@njit(cache=True, nogil=True)
def _lay_noise(
    drops: Int32, count: int, weights: Float32, table: Float32, n: int, pw: int, inverse: Float32, power: Float32
) -> None:  # fmt: skip
    for k in range(count):
        if drops[k] < 0 or weights[k] == 0:
            continue
        entry, first = np.uint64(n * n * drops[LANES + k]), np.uint64(4 * drops[k])
        total = four(0.0, 0.0, 0.0, 0.0)
        for j in range(n):
            for i in range(n):
                share = table[entry + np.uint64(n * j + i)]
                total = four_more(total, inverse, first + np.uint64(4 * (pw * j + i)), share)
        total = four_squared(total, weights[2 * LANES + k])
        for j in range(n):
            for i in range(n):
                share = table[entry + np.uint64(n * j + i)]
                add_to_four(power, first + np.uint64(4 * (pw * j + i)), total, share)


@njit(cache=True, nogil=True)
def _lay(
    drops: Int32, count: int, weights: Float32, table: Float32, n: int, pw: int, inverse: Float32, sums: Float32
) -> None:  # fmt: skip
    """Add drops to flat sums, or their noise power to a flat array where ``inverse`` is not empty."""
    # A number of pixels that the compiler knows makes the loops over them three times as fast.
    if inverse.size == 0:
        if n == 2:
            _lay_values(drops, count, weights, table, 2, pw, sums)
        elif n == 3:
            _lay_values(drops, count, weights, table, 3, pw, sums)
        else:
            _lay_values(drops, count, weights, table, n, pw, sums)
    elif n == 2:
        _lay_noise(drops, count, weights, table, 2, pw, inverse, sums)
    elif n == 3:
        _lay_noise(drops, count, weights, table, 3, pw, inverse, sums)
    else:
        _lay_noise(drops, count, weights, table, n, pw, inverse, sums)


@njit(cache=True, nogil=True)
def _deposit(
    z: Float32, base: Float32, slope: Float32, bad: Int8, y0: int, x0: int, bend: Float64, cell: Int64, plane: int,
    table: Float32, floor: float, sky: float, merit: float, shared: float, ref: Float32, oy: int, ox: int,
    inverse: Float32, sums: Float32,
) -> None:  # fmt: skip
    """Both of the following; ``inverse`` is empty for values."""
    h, w = z.shape
    ph, pw = ref.shape
    phases, n = table.shape[0], table.shape[2]
    shift = 0.5 * (n - 2)
    top, left = first_sample(cell, plane, y0, x0)
    row, at = np.empty((2, 4)), np.empty(2 * LANES)
    drops, level = np.empty(3 * LANES, dtype=np.int32), np.empty(LANES, dtype=np.float32)
    weights = np.empty(3 * LANES, dtype=np.float32)
    for j in range(top, h, 2):
        along_row(bend, y0 + j, ox + shift, oy + shift, row)
        for i in range(left, w, 2 * LANES):
            count = min(LANES, (w - i + 1) // 2)
            places(row, x0 + i, 2, count, at)
            _drops(at, count, n, phases, ph, pw, drops)
            fetch(ref.ravel(), drops[2 * LANES :], count, level)
            weigh(
                z[j, i:], base[j, i:], slope[j, i:], bad[j, i:], level, count, sky, floor, merit, shared, weights
            )  # fmt: skip
            _lay(drops, count, weights, table.ravel(), n, pw, inverse.ravel(), sums.ravel())


def deposit_values(
    z: Float32, base: Float32, slope: Float32, bad: Int8, y0: int, x0: int, bend: Float64, cell: Int64, plane: int,
    table: Float32, floor: float, sky: float, merit: float, shared: float, ref: Float32, oy: int, ox: int,
    sums: Float32,
) -> None:  # fmt: skip
    """Add one frame's good samples of one plane to the sums of a tile.

    Parameters
    ----------
    z, base, slope : (h, w) float32
        Normalised samples and their variance, see `fourlight.core.samples.normalised`; the first is
        ``[y0, x0]`` of the frame.
    bad : (h, w) int8
        Rejection mask.
    bend : (2, 4, 4) float64
        Map from frame to output pixels, see `fourlight.core.bends`.
    cell : (2, 2) int64
        Plane index of ``[y % 2, x % 2]``.
    plane : int
        Plane whose samples are taken.
    table : (P, P, n, n) float32
        From `fourlight.core.overlap.overlap_table`.
    floor, sky : float
        Least variance of a sample, and sky of the reference, see `fourlight.core.samples.weighed`.
    merit, shared : float
        Factor on the weight of all samples of the frame, and variance that they have in the stack beside their own.
    ref : (ph, pw) float32
        Reference plane: photon noise is taken from it, not from the sample itself.
    oy, ox : int
        Output position of the first pixel of the sums.
    sums : (ph, pw, 4) float32, added to
        Sums of ``w a z``, ``w a``, ``w^2 a`` and ``w^2 a^2 v``.
    """
    none = np.empty((0, 0, 0), dtype=np.float32)
    _deposit(
        z, base, slope, bad, y0, x0, bend, cell, plane, table, floor, sky, merit, shared, ref, oy, ox, none, sums
    )  # fmt: skip


def deposit_variance(
    z: Float32, base: Float32, slope: Float32, bad: Int8, y0: int, x0: int, bend: Float64, cell: Int64, plane: int,
    table: Float32, floor: float, sky: float, merit: float, shared: float, ref: Float32, oy: int, ox: int,
    inverse: Float32, power: Float32,
) -> None:  # fmt: skip
    """Add the noise power of one frame's good samples of one plane to a tile.

    Parameters are those of `deposit_values` but for the last two.

    Parameters
    ----------
    inverse : (ph, pw, 4) float32
        One over the finished sums of weights of four stacks that the samples are part of; 0 where there is no
        weight.
    power : (ph, pw, 4) float32, added to
        Noise power in each of the four.
    """
    _deposit(
        z, base, slope, bad, y0, x0, bend, cell, plane, table, floor, sky, merit, shared, ref, oy, ox, inverse, power
    )  # fmt: skip


@njit(cache=True, nogil=True)
def first_sample(cell: Int64, plane: int, y0: int, x0: int) -> tuple[int, int]:
    """First row and column of a plane in a rectangle that starts at ``[y0, x0]`` of the frame."""
    for y in range(2):
        for x in range(2):
            if cell[(y0 + y) % 2, (x0 + x) % 2] == plane:
                return y, x
    return 0, 0
