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

from fourlight.core.bends import along_row, place
from fourlight.core.samples import weighed

__all__ = ["area_factor", "deposit_values", "deposit_variance", "first_sample"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
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
def deposit_values(
    z: Float32, base: Float32, slope: Float32, bad: Int8, y0: int, x0: int, bend: Float64, cell: Int64, plane: int,
    table: Float32, floor: float, sky: float, merit: float, ref: Float32, oy: int, ox: int, sums: Float32,
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
    merit : float
        Factor on the weight of all samples of the frame.
    ref : (ph, pw) float32
        Reference plane: photon noise is taken from it, not from the sample itself.
    oy, ox : int
        Output position of the first pixel of the sums.
    sums : (ph, pw, 4) float32, added to
        Sums of ``w a z``, ``w a``, ``w^2 a`` and ``w^2 a^2 v``.
    """
    h, w = z.shape
    ph, pw = ref.shape
    phases, n = table.shape[0], table.shape[2]
    shift = 0.5 * (n - 2)
    top, left = first_sample(cell, plane, y0, x0)
    row = np.empty((2, 4))
    for j in range(top, h, 2):
        along_row(bend, y0 + j, ox + shift, oy + shift, row)
        for i in range(left, w, 2):
            value = z[j, i]
            if bad[j, i] != 0 or value != value:
                continue
            x, y = place(row[0], x0 + i), place(row[1], x0 + i)
            cx, cy = int(np.floor(x)), int(np.floor(y))
            if cx < 0 or cy < 0 or cx > pw - n or cy > ph - n:
                continue
            part = table[int((y - cy) * phases), int((x - cx) * phases)]
            level = ref[int(y + shift + 0.5), int(x + shift + 0.5)]
            weight, power_of = weighed(base[j, i], slope[j, i], sky, level, floor, merit)
            wt, noise = np.float32(weight), np.float32(power_of)
            for b in range(n):
                for a in range(n):
                    share = part[b, a]
                    out = sums[cy + b, cx + a]
                    out[0] += wt * share * value
                    out[1] += wt * share
                    out[2] += wt * wt * share
                    out[3] += noise * share * share


@njit(cache=True, nogil=True)
def deposit_variance(
    z: Float32, base: Float32, slope: Float32, bad: Int8, y0: int, x0: int, bend: Float64, cell: Int64, plane: int,
    table: Float32, floor: float, sky: float, merit: float, ref: Float32, oy: int, ox: int, inverse: Float32,
    power: Float32,
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
    h, w = z.shape
    ph, pw = ref.shape
    phases, n = table.shape[0], table.shape[2]
    shift = 0.5 * (n - 2)
    top, left = first_sample(cell, plane, y0, x0)
    row = np.empty((2, 4))
    total = np.empty(4, dtype=np.float32)
    for j in range(top, h, 2):
        along_row(bend, y0 + j, ox + shift, oy + shift, row)
        for i in range(left, w, 2):
            if bad[j, i] != 0 or z[j, i] != z[j, i]:
                continue
            x, y = place(row[0], x0 + i), place(row[1], x0 + i)
            cx, cy = int(np.floor(x)), int(np.floor(y))
            if cx < 0 or cy < 0 or cx > pw - n or cy > ph - n:
                continue
            part = table[int((y - cy) * phases), int((x - cx) * phases)]
            level = ref[int(y + shift + 0.5), int(x + shift + 0.5)]
            weight, power_of = weighed(base[j, i], slope[j, i], sky, level, floor, merit)
            _wt, noise = np.float32(weight), np.float32(power_of)
            total[:] = 0.0
            for b in range(n):
                for a in range(n):
                    share, known = part[b, a], inverse[cy + b, cx + a]
                    for k in range(4):
                        total[k] += share * known[k]
            for k in range(4):
                total[k] *= total[k] * noise
            for b in range(n):
                for a in range(n):
                    share, out = part[b, a], power[cy + b, cx + a]
                    for k in range(4):
                        out[k] += share * total[k]


@njit(cache=True, nogil=True)
def first_sample(cell: Int64, plane: int, y0: int, x0: int) -> tuple[int, int]:
    """First row and column of a plane in a rectangle that starts at ``[y0, x0]`` of the frame."""
    for y in range(2):
        for x in range(2):
            if cell[(y0 + y) % 2, (x0 + x) % 2] == plane:
                return y, x
    return 0, 0
