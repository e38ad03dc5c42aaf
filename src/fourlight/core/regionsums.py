"""What raw samples say of the light and the noise in regions of a stack, beside what the stack says.

Noise is what three neighbours of one plane disagree about: the second difference of samples, less the smooth light of
the half stack in which they are not, knows nothing of sky, transparency or slopes. Grain of the light itself, faint
stars and filaments, is in it too; its power is the product of the second differences of both halves, whose noise is
independent.
No number of degrees of freedom has to be known, whichever way the halves were made, and however few frames are in them.
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
    "EXPECTED",
    "FLAT",
    "GRAIN",
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

COUNT, DEVIATION, VARIANCE, CROSS, FLAT, RESIDUAL, GRAIN, EXPECTED = range(8)
"""Sums over the samples in a region: number; sample less the stack; expected variance; sample and half stack, both less
their smooth light, multiplied; then over three neighbours each in even light: number of them; a sixth of the square of
the second difference of samples; a sixth of the product of those of both halves; mean expected variance."""

PARTS = 8

STEEP = 15
"""Bit of a label that says that light is steep there: a sample differs from the stack by where it lies."""

LIMIT = 5.0
"""Standard deviations beyond which a sample shows something else than the object: a trail, a cosmic ray."""

TOLERANCE = 0.7
"""Share of the fine detail of the stack by which a good sample may differ from it."""


@njit(cache=True, nogil=True, inline="always")
def _between(images: Float32, plane: int, j: int, i: int, v: float, u: float) -> float:
    """Bilinear value past pixel ``[j, i]`` of a plane."""
    low = images[plane, j, i] * (1 - u) + images[plane, j, i + 1] * u
    high = images[plane, j + 1, i] * (1 - u) + images[plane, j + 1, i + 1] * u
    return float(low * (1 - v) + high * v)


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _add(
    z: float, base: float, slope: float, floor: float, own: float, other: float, own_smooth: float,
    other_smooth: float, spread: float, label: int, plane: int, before: Float64, sums: Float64,
) -> int:  # fmt: skip
    """Add one sample to the regions (4, r, PARTS) of its label; the label if it is good and in even light, else 0.

    ``before`` (2, 5) holds excess over the smooth light, detail of both halves, expected variance and label of the last
    neighbours, the nearer one first. No view of an array is made of one sample: counting who holds it took two fifths
    of all time.
    """
    level = 0.5 * (own + other)
    variance = expected_variance(base, slope, level, floor)
    residual, detail, fine = z - other, other - other_smooth, own - own_smooth
    allowed = TOLERANCE * 0.5 * abs(fine + detail) + LIMIT * np.sqrt(variance * spread)
    if not abs(residual) <= allowed:
        return 0
    flat, excess, cross = label >> STEEP == 0, z - other_smooth, (z - own_smooth) * detail
    three = label & int(before[0, 4]) & int(before[1, 4]) if flat else 0
    bend = excess - 2 * before[0, 0] + before[1, 0]
    grain = (fine - 2 * before[0, 1] + before[1, 1]) * (detail - 2 * before[0, 2] + before[1, 2])
    for region in range(sums.shape[1]):
        if label >> region & 1:
            sums[plane, region, COUNT] += 1
            sums[plane, region, DEVIATION] += z - level
            sums[plane, region, VARIANCE] += variance
            sums[plane, region, CROSS] += cross
            if three >> region & 1:
                sums[plane, region, FLAT] += 1
                sums[plane, region, RESIDUAL] += bend * bend / 6
                sums[plane, region, GRAIN] += grain / 6
                sums[plane, region, EXPECTED] += (variance + 4 * before[0, 3] + before[1, 3]) / 6
    for k in range(5):
        before[1, k] = before[0, k]
    before[0, 0], before[0, 1], before[0, 2], before[0, 3] = excess, fine, detail, variance
    return label if flat else 0


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
    row, before = np.empty((2, 4)), np.zeros((2, 5))
    across, down = row[0], row[1]
    for j in range(h):
        for left in range(min(2, w)):
            plane = cell[(y0 + j) % 2, (x0 + left) % 2]
            along_row(bend[plane], y0 + j, ox, oy, row)
            before[:, 4] = 0
            for i in range(left, w, 2):
                last, before[0, 4] = before[0, 4], 0
                value = z[j, i]
                x, y = place(across, x0 + i), place(down, x0 + i)
                if value != value or not (0.0 <= x < pw - 1.0 and 0.0 <= y < ph - 1.0):
                    continue
                label = labels[int(y + 0.5), int(x + 0.5)]
                if label == 0:
                    continue
                jj, ii = int(y), int(x)
                v, u = y - jj, x - ii
                before[0, 4] = last
                before[0, 4] = _add(
                    value, base[j, i], slope[j, i], floor[plane], _between(own, plane, jj, ii, v, u),
                    _between(other, plane, jj, ii, v, u), _between(own_smooth, plane, jj, ii, v, u),
                    _between(other_smooth, plane, jj, ii, v, u), spread, label, plane, before, sums,
                )  # fmt: skip
