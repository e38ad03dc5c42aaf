"""Level and variance of samples by cells: the points of a photon transfer curve, from any two exposures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from fourlight.core.noise import FEWEST, ROUNDING, SECOND_DIFFERENCE, faint_differences, finite_values
from fourlight.core.spread import core_spread

__all__ = ["Cells", "cell_noise", "structure_share"]

FloatArray = npt.NDArray[np.float64]
Float32 = npt.NDArray[np.float32]
Array = npt.NDArray[np.floating]

_PAIR_ERROR = 1.944
"""Variance of a mean of products of differences in successive rows, over sigma^4 / n: the differences of one row
are correlated by -2/3 and 1/6, so 1 + 2 (4/9 + 1/36)."""
_STAR = 6.0
_BRIGHTEST = 100.0
_NEARLY = 1e-3
"""Relative error of the scatter of a cell, which its samples tell to some per cent."""


@dataclass(frozen=True, slots=True)
class Cells:
    """Cells of one plane where at least half of the samples could be used and few were outliers."""

    level: FloatArray
    """(n,) mean level of the exposures, ADU."""
    variance: FloatArray
    """(n,) variance of one sample of one exposure, ADU^2, faint structure included."""
    linked: FloatArray
    """(n,) correlation of the differences of successive rows: 0 for noise alone."""
    pairs: FloatArray
    """(n,) products that went into ``linked``."""
    stars: FloatArray
    """(2,) over bright stars: sum of those products, and of the squares they would be at full correlation."""


def cell_noise(first: Array, second: Array | None, side: int, step: float = 0.0) -> Cells:
    """Level and variance of one sample, cell by cell, from two exposures of the same field (or one).

    The variance comes from the difference of the exposures, so what both share (response differences from
    pixel to pixel, smooth light) drops out; its second differences also take out changed gradients.

    Parameters
    ----------
    first, second : (my, mx) array
        One plane of each exposure, ADU, NaN where unknown. With ``second`` None the second differences of ``first``
        are used.
    side : int
        Side of a cell in samples.
    step : float
        Step of the digitiser, ADU; 0 where samples are not whole numbers.

    Notes
    -----
    Janesick's photon transfer, by cells: ``var(F1 - F2) / 2`` against ``(F1 + F2) / 2``.
    """
    a = np.ascontiguousarray(first, dtype=np.float32)
    b = a if second is None else np.ascontiguousarray(second, dtype=np.float32)
    found, stars = _cells(a, b, second is not None, side, step)
    factor = SECOND_DIFFERENCE if second is None else 2 * SECOND_DIFFERENCE
    return Cells(found[:, 0], found[:, 1] / factor, found[:, 2], found[:, 3], stars)


def structure_share(cells: Sequence[Cells]) -> tuple[float, float]:
    """Share of the variance that is faint structure, such as stars below detection that moved, and its error.

    Noise does not correlate between rows, images of stars do, by a share that bright stars of the same frames
    show. Without bright stars the share is taken as 0.3 to 1 (image widths of 1 to 4 samples).

    Parameters
    ----------
    cells : sequence of Cells
        Of any number of planes and pairs of exposures with alike images.

    Returns
    -------
    share, error : float
        Between 0 and 0.5; the error holds that of the correlation, half of the share's uncertainty in image
        width included.
    """
    pairs = np.concatenate([part.pairs for part in cells]) if cells else np.empty(0)
    if pairs.sum() == 0:
        return 0.0, 0.0
    linked = float(np.sum(np.concatenate([part.linked for part in cells]) * pairs) / pairs.sum())
    noise = float(np.sqrt(_PAIR_ERROR / pairs.sum()))
    product, square = np.sum([part.stars for part in cells], axis=0)
    of_star = float(np.clip(product / square, 0.1, 1.0)) if square > 0 else 0.5
    share = min(max(linked / of_star, 0.0), 0.5)
    return share, float(np.hypot(noise / of_star, 0.3 * share))


@njit(cache=True, nogil=True, error_model="numpy")
def _cells(
    first: Float32, second: Float32, two: bool, side: int, step: float
) -> tuple[FloatArray, FloatArray]:
    """Level, variance of the second differences, their row-to-row correlation and its pairs per usable cell.

    Of the difference of two exposures, or of the first alone.
    """
    rows, columns = first.shape[0] // side, first.shape[1] // side
    out = np.empty((max(rows * columns, 1), 4))
    change, level = np.empty((side, side)), np.empty((side, side))
    stars, room = np.zeros(2), np.empty(side * side + 1)
    count = 0
    for j in range(rows):
        for i in range(columns):
            for y in range(side):
                a, b = first[j * side + y, i * side :], second[j * side + y, i * side :]
                for x in range(side):
                    level[y, x] = 0.5 * (np.float64(a[x]) + np.float64(b[x]))
                    change[y, x] = np.float64(a[x]) - np.float64(b[x]) if two else level[y, x]
            faint = faint_differences(change, level, two, step * ROUNDING)
            used = finite_values(faint, room)
            if used < max(FEWEST, (side - 2) ** 2 // 3):
                continue
            sigma = core_spread(room[:used], _NEARLY, step)[1]
            if not sigma > 0:
                continue
            _add_stars(change, sigma, stars)
            if _beyond(room[:used], 5 * sigma) > 0.02 * used:
                continue
            out[count, 0] = core_spread(room[: finite_values(level[::2], room)], _NEARLY, step)[0]
            out[count, 1] = sigma**2
            out[count, 2], out[count, 3] = _row_link(faint, sigma)
            count += 1
    return out[:count], stars


@njit(cache=True, nogil=True, error_model="numpy")
def _beyond(values: FloatArray, most: float) -> int:
    n = 0
    for value in values:
        n += abs(value) > most
    return n


@njit(cache=True, nogil=True, error_model="numpy")
def _row_link(faint: FloatArray, sigma: float) -> tuple[float, float]:
    """Mean product of differences in successive rows over sigma^2, outliers left out, and how many."""
    total = 0.0
    pairs = 0
    for y in range(1, faint.shape[0]):
        for x in range(faint.shape[1]):
            above, here = faint[y - 1, x], faint[y, x]
            if abs(above) < 4 * sigma and abs(here) < 4 * sigma:
                total += above * here
                pairs += 1
    return (total / pairs / sigma**2 if pairs else 0.0), float(pairs)


@njit(cache=True, nogil=True, error_model="numpy")
def _add_stars(change: FloatArray, sigma: float, stars: FloatArray) -> None:
    """Add products and mean squares of differences in successive rows, both known, where one is of a bright star."""
    ny, nx = change.shape
    share = 1.0 / sigma
    for y in range(1, ny):
        upper, lower = change[y - 1], change[y]
        for x in range(1, nx - 1):
            above = (upper[x] - (upper[x - 1] + upper[x + 1]) / 2) * share
            here = (lower[x] - (lower[x - 1] + lower[x + 1]) / 2) * share
            # the larger of a number and NaN is the number
            known = np.isfinite(above) and np.isfinite(here)
            if known and _STAR < max(abs(above), abs(here)) < _BRIGHTEST:
                stars[0] += above * here / max(above**2, here**2)
                stars[1] += (above**2 + here**2 - 2.0) / 2 / max(above**2, here**2)
