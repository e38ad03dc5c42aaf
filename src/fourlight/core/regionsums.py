"""What raw samples say of the light and the noise in regions of a stack, beside what the stack says.

A sample is compared with the half stack in which it is not: its residual then has the variance of the sample plus that
of the half at its place, which the difference of the two halves shows at the same places. No number of degrees of
freedom has to be known, whichever way the halves were made.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from fourlight.core.bends import along_row, place
from fourlight.core.samples import expected_variance

__all__ = [
    "COUNT",
    "CROSS",
    "DEVIATION",
    "FLAT",
    "HALVES",
    "PARTS",
    "RESIDUAL",
    "STEEP",
    "VARIANCE",
    "region_sums",
]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]
UInt16 = npt.NDArray[np.uint16]

COUNT, DEVIATION, VARIANCE, CROSS, FLAT, RESIDUAL, HALVES, EXPECTED = range(8)
"""Sums over the samples in a region: number; sample less the stack; expected variance; sample and half stack, both less
their smooth light, multiplied; then of those in even light alone: number; square of sample less other half; square of
one half less the other; expected variance."""

PARTS = 8

STEEP = 15
"""Bit of a label that says that light is steep there: a sample differs from the stack by where it lies."""

LIMIT = 5.0
"""Standard deviations beyond which a sample shows something else than the object: a trail, a cosmic ray."""

TOLERANCE = 0.7
"""Share of the fine detail of the stack by which a good sample may differ from it."""


@njit(cache=True, nogil=True, inline="always")
def _between(image: Float32, j: int, i: int, v: float, u: float) -> float:
    """Bilinear value past pixel ``[j, i]``."""
    low = image[j, i] * (1 - u) + image[j, i + 1] * u
    high = image[j + 1, i] * (1 - u) + image[j + 1, i + 1] * u
    return float(low * (1 - v) + high * v)


@njit(cache=True, nogil=True, error_model="numpy")
def _add(
    z: float, base: float, slope: float, floor: float, own: float, other: float, own_smooth: float,
    other_smooth: float, spread: float, label: int, sums: Float64,
) -> None:  # fmt: skip
    """Add one sample to the regions (r, PARTS) that its label names."""
    level = 0.5 * (own + other)
    variance = expected_variance(base, slope, level, floor)
    residual, detail = z - other, other - other_smooth
    allowed = TOLERANCE * abs(level - 0.5 * (own_smooth + other_smooth)) + LIMIT * np.sqrt(variance * spread)
    if not abs(residual) <= allowed:
        return
    apart, cross, flat = own - other, (z - own_smooth) * detail, label >> STEEP == 0
    for region in range(sums.shape[0]):
        if label >> region & 1:
            part = sums[region]
            part[COUNT] += 1
            part[DEVIATION] += z - level
            part[VARIANCE] += variance
            part[CROSS] += cross
            if flat:
                part[FLAT] += 1
                part[RESIDUAL] += residual * residual
                part[HALVES] += apart * apart
                part[EXPECTED] += variance


@njit(cache=True, nogil=True, error_model="numpy")
def region_sums(
    z: Float32, base: Float32, slope: Float32, y0: int, x0: int, bend: Float64, cell: Int64, own: Float32,
    other: Float32, own_smooth: Float32, other_smooth: Float32, labels: UInt16, oy: int, ox: int, floor: Float64,
    spread: float, sums: Float64,
) -> None:  # fmt: skip
    """Add the samples of one frame to the sums of regions.

    Parameters
    ----------
    z, base, slope : (h, w) float32
        Normalised samples and their variance, see `fourlight.core.samples.normalised`; the first is ``[y0, x0]`` of
        the frame.
    bend : (4, 2, 4, 4) float64
        Map from frame to output pixels per plane.
    cell : (2, 2) int64
        Plane index of ``[y % 2, x % 2]``.
    own, other : (4, ph, pw) float32
        Half stacks that hold and do not hold the frame, in the unit of the samples; the first pixel is ``[oy, ox]``.
    own_smooth, other_smooth : (4, ph, pw) float32
        The same without their fine detail.
    labels : (ph, pw) uint16
        Bit r: the pixel is in region r; bit `STEEP`: its light is steep. Samples on pixels of no region are left out.
    floor : (4,) float64
        Least variance of a sample.
    spread : float
        Variance of a residual over that of a sample.
    sums : (4, r, PARTS) float64, added to
        See `COUNT`.
    """
    h, w = z.shape
    ph, pw = labels.shape
    row = np.empty((2, 4))
    for j in range(h):
        for left in range(min(2, w)):
            plane = cell[(y0 + j) % 2, (x0 + left) % 2]
            along_row(bend[plane], y0 + j, ox, oy, row)
            for i in range(left, w, 2):
                value = z[j, i]
                x, y = place(row[0], x0 + i), place(row[1], x0 + i)
                if value != value or not (0.0 <= x < pw - 1.0 and 0.0 <= y < ph - 1.0):
                    continue
                label = labels[int(y + 0.5), int(x + 0.5)]
                if label == 0:
                    continue
                jj, ii = int(y), int(x)
                v, u = y - jj, x - ii
                _add(
                    value, base[j, i], slope[j, i], floor[plane], _between(own[plane], jj, ii, v, u),
                    _between(other[plane], jj, ii, v, u), own_smooth[plane, int(y + 0.5), int(x + 0.5)],
                    other_smooth[plane, int(y + 0.5), int(x + 0.5)], spread, label, sums[plane],
                )  # fmt: skip
