"""Defective samples: those that stand apart from their own-plane neighbours in every exposure.

A star does so too in exposures that were not shifted against each other, but a star also lifts the adjacent
samples of the other planes; a hot or dead sample stands alone (or in line, as a bad column does).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

__all__ = ["neighbour_excess", "persistent"]

Float32Array = npt.NDArray[np.float32]

HALO = 3
"""Rows and columns around a band that `persistent` and `neighbour_excess` need to decide on its edge."""

_LIMIT = 100.0
"""Excess beyond this many sigma is cut, so that one ray cannot outweigh all other exposures."""
_LEAST = 1.5
"""Excess in sigma of one sample below which a defect costs less than leaving it out (its square adds to 1)."""
_STAR = 0.1
"""Share of the excess that the second-lowest of the four adjacent samples shows if it is a star. An image
1.5 samples wide (FWHM) shows 0.11 at the least favourable place, one 2 wide 0.29."""


@njit(cache=True, nogil=True)
def neighbour_excess(image: Float32Array, noise: Float32Array, y0: int, x0: int) -> Float32Array:
    """Each sample against the median of its eight same-plane neighbours, in units of the local noise.

    Parameters
    ----------
    image : (ny, nx) float32
        Mosaic samples, any unit.
    noise : (2, 2) float32
        Standard deviation of one sample at sky level by place ``[y % 2, x % 2]`` in the mosaic cell.
    y0, x0 : int
        Place of ``image[0, 0]`` in the frame.

    Returns
    -------
    (ny, nx) float32
        Excess, cut at +-100; NaN where the sample or all but two of its neighbours are missing. The local noise is
        the scatter of the neighbours where that is more than twice ``noise`` (on the flank of a star).
    """
    ny, nx = image.shape
    out = np.full((ny, nx), np.nan, dtype=np.float32)
    near = np.empty(8)
    for y in range(ny):
        for x in range(nx):
            value = image[y, x]
            if not np.isfinite(value):
                continue
            count = 0
            for dy in (-2, 0, 2):
                for dx in (-2, 0, 2):
                    if dy == 0 and dx == 0:
                        continue
                    if 0 <= y + dy < ny and 0 <= x + dx < nx:
                        other = image[y + dy, x + dx]
                        if np.isfinite(other):
                            place = count
                            while place > 0 and near[place - 1] > other:
                                near[place] = near[place - 1]
                                place -= 1
                            near[place] = other
                            count += 1
            if count < 3:
                continue
            half = count // 2
            middle = near[half] if count % 2 else (near[half - 1] + near[half]) / 2
            sigma = noise[(y + y0) % 2, (x + x0) % 2]
            quarter = count // 4
            scatter = 0.8 * (near[count - 1 - quarter] - near[quarter])
            if scatter > 2 * sigma:
                sigma = scatter
            excess = (value - middle) / sigma if sigma > 0 else 0.0
            out[y, x] = min(max(excess, -_LIMIT), _LIMIT)
    return out


@njit(cache=True, nogil=True)
def persistent(excess: Float32Array, threshold: float) -> npt.NDArray[np.bool_]:
    """Samples that stand out in most exposures and are not part of an image of a star.

    Parameters
    ----------
    excess : (n, ny, nx) float32
        `neighbour_excess` of each exposure.
    threshold : float
        Significance asked of the lower median over exposures, whose error is ``sqrt(pi / 2 / n)`` sigma of one
        sample (1 sigma for one or two exposures, where the median is the smaller value).

    Returns
    -------
    (ny, nx) bool
        True at defects. A sample must also stand out by 1.5 sigma of one exposure.
    """
    n, ny, nx = excess.shape
    out = np.zeros((ny, nx), dtype=np.bool_)
    for y in range(ny):
        for x in range(nx):
            middle, count = _lower_median(excess, y, x)
            if count == 0:
                continue
            error = np.sqrt(max(np.pi / 2 / count, 0.1)) if count > 2 else 1.0
            if abs(middle) < max(threshold * error, _LEAST):
                continue
            out[y, x] = not _is_star(excess, y, x, middle)
    return out


@njit(cache=True, nogil=True)
def _lower_median(excess: Float32Array, y: int, x: int) -> tuple[float, int]:
    """Median over exposures; of an even number the middle value nearer zero."""
    n = excess.shape[0]
    values = np.empty(n)
    count = 0
    for i in range(n):
        if np.isfinite(excess[i, y, x]):
            values[count] = excess[i, y, x]
            count += 1
    if count == 0:
        return 0.0, 0
    ordered = np.sort(values[:count])
    low, high = ordered[(count - 1) // 2], ordered[count // 2]
    if low * high < 0:
        return 0.0, count
    return (low if abs(low) < abs(high) else high), count


@njit(cache=True, nogil=True)
def _is_star(excess: Float32Array, y: int, x: int, middle: float) -> bool:
    """Whether three of the four adjacent samples share the excess, as the image of a star makes them."""
    n, ny, nx = excess.shape
    means = np.empty(4)
    found = 0
    for side in range(4):
        yy = y + (-1 if side == 0 else 1 if side == 1 else 0)
        xx = x + (-1 if side == 2 else 1 if side == 3 else 0)
        if not (0 <= yy < ny and 0 <= xx < nx):
            continue
        level, count = _lower_median(excess, yy, xx)
        if count:
            means[found] = level / middle
            found += 1
    if found == 0:
        return False
    ordered = np.sort(means[:found])
    return bool(ordered[min(1, found - 1)] > _STAR)
