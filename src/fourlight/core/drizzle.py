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

from fourlight.core.samples import expected_variance

__all__ = ["area_factor", "deposit_values", "deposit_variance"]

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
    z: Float32, base: Float32, slope: Float32, bad: Int8, y0: int, x0: int, matrix: Float64, cell: Int64,
    chosen: npt.NDArray[np.bool_], table: Float32, floor: Float64, sky: Float64, ref: Float32,
    oy: int, ox: int, num: Float32, den: Float32, squares: Float32, pixel: Float32,
) -> None:  # fmt: skip
    """Add one frame's good samples of the chosen planes to the sums of a tile.

    Parameters
    ----------
    z, base, slope : (h, w) float32
        Normalised samples and their variance, see `fourlight.core.samples.normalised`; the first is
        ``[y0, x0]`` of the frame.
    bad : (h, w) int8
        Rejection mask.
    matrix : (2, 3) float64
        Map from frame to output pixels.
    chosen : (4,) bool
        Planes whose samples are taken.
    table : (P, P, k, k) float32
        From `fourlight.core.overlap.overlap_table`.
    floor, sky : (4,) float64
        Least variance of a sample, and sky of the reference. A sample's weight is the inverse of its variance
        at the sky level: light of the object must not change weights, or fluxes would be biased.
    ref : (4, ph, pw) float32
        Reference planes: photon noise is taken from these, not from the sample itself.
    oy, ox : int
        Output position of the first pixel of the sums.
    num, den : (ph, pw) float32
        Sums of ``w a z`` and ``w a``.
    squares, pixel : (ph, pw) float32
        Sums of ``w^2 a`` and ``w^2 a^2 v``.
    """
    h, w = z.shape
    ph, pw = num.shape
    phases, k = table.shape[0], table.shape[2] // 2
    for j in range(h):
        for i in range(w):
            value = z[j, i]
            plane = cell[(y0 + j) % 2, (x0 + i) % 2]
            if not chosen[plane] or bad[j, i] != 0 or value != value:
                continue
            x = matrix[0, 0] * (x0 + i) + matrix[0, 1] * (y0 + j) + matrix[0, 2] - ox
            y = matrix[1, 0] * (x0 + i) + matrix[1, 1] * (y0 + j) + matrix[1, 2] - oy
            cx, cy = int(np.floor(x + 0.5)), int(np.floor(y + 0.5))
            if cx < k or cy < k or cx >= pw - k or cy >= ph - k:
                continue
            part = table[int((y - cy + 0.5) * phases) % phases, int((x - cx + 0.5) * phases) % phases]
            wt = 1.0 / expected_variance(base[j, i], slope[j, i], sky[plane], floor[plane])
            v = expected_variance(base[j, i], slope[j, i], ref[plane, cy, cx], floor[plane])
            for b in range(2 * k + 1):
                for a in range(2 * k + 1):
                    share = part[b, a]
                    yy, xx = cy + b - k, cx + a - k
                    num[yy, xx] += wt * share * value
                    den[yy, xx] += wt * share
                    squares[yy, xx] += wt * wt * share
                    pixel[yy, xx] += wt * wt * share * share * v


@njit(cache=True, nogil=True)
def deposit_variance(
    z: Float32, base: Float32, slope: Float32, bad: Int8, y0: int, x0: int, matrix: Float64, cell: Int64,
    chosen: npt.NDArray[np.bool_], table: Float32, floor: Float64, sky: Float64, ref: Float32,
    oy: int, ox: int, den_all: Float32, den_half: Float32, var_all: Float32, var_half: Float32,
) -> None:  # fmt: skip
    """Add one frame's noise power to a tile, once for the whole stack and once for its own half.

    Parameters are those of `deposit_values`; ``den_all`` and ``den_half`` are the finished sums of weights,
    ``var_all`` and ``var_half`` are added to.
    """
    h, w = z.shape
    ph, pw = den_all.shape
    phases, k = table.shape[0], table.shape[2] // 2
    for j in range(h):
        for i in range(w):
            value = z[j, i]
            plane = cell[(y0 + j) % 2, (x0 + i) % 2]
            if not chosen[plane] or bad[j, i] != 0 or value != value:
                continue
            x = matrix[0, 0] * (x0 + i) + matrix[0, 1] * (y0 + j) + matrix[0, 2] - ox
            y = matrix[1, 0] * (x0 + i) + matrix[1, 1] * (y0 + j) + matrix[1, 2] - oy
            cx, cy = int(np.floor(x + 0.5)), int(np.floor(y + 0.5))
            if cx < k or cy < k or cx >= pw - k or cy >= ph - k:
                continue
            part = table[int((y - cy + 0.5) * phases) % phases, int((x - cx + 0.5) * phases) % phases]
            wt = 1.0 / expected_variance(base[j, i], slope[j, i], sky[plane], floor[plane])
            v = expected_variance(base[j, i], slope[j, i], ref[plane, cy, cx], floor[plane])
            total = half = 0.0
            for b in range(2 * k + 1):
                for a in range(2 * k + 1):
                    share = part[b, a]
                    if share > 0:
                        total += wt * share / den_all[cy + b - k, cx + a - k]
                        half += wt * share / den_half[cy + b - k, cx + a - k]
            for b in range(2 * k + 1):
                for a in range(2 * k + 1):
                    share = part[b, a]
                    var_all[cy + b - k, cx + a - k] += v * total * total * share
                    var_half[cy + b - k, cx + a - k] += v * half * half * share
