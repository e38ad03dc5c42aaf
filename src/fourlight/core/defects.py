"""Defective samples: those that stand apart from their own-plane neighbours in every exposure.

A star does so too in exposures that were not shifted against each other, but a star also lifts the adjacent
samples of the other planes; a hot or dead sample stands alone (or in line, as a bad column does).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

__all__ = ["HALO", "STAR_MOVED", "STAR_STILL", "neighbour_excess", "persistent", "stars_moved"]

Float32Array = npt.NDArray[np.float32]

HALO = 4
"""Rows and columns around a band that `persistent` and `neighbour_excess` need to decide on its edge."""

_LIMIT = 1e4
"""Excess beyond this many sigma is cut."""
_LEAST = 1.5
"""Excess in sigma of one sample below which leaving a defect out costs more than it does."""
STAR_STILL = 0.1
"""Share of the excess that the nearer adjacent sample shows, along both axes, if it is a star. A Gaussian image
1.5 samples wide (FWHM) shows 0.29 when centred on the sample, more when not; a star of another colour than the
sky shows less in one plane."""
STAR_MOVED = 0.35
"""The same where exposures are shifted against each other: stars do not persist, so few need protection."""
_CONTRAST = 3.0
"""Excess over the scatter of the same-plane neighbours that a defect must have; a star's flank has less."""


@njit(cache=True, nogil=True)
def neighbour_excess(
    image: Float32Array, noise: Float32Array, y0: int, x0: int
) -> tuple[Float32Array, Float32Array]:
    """Each sample against the median of its eight same-plane neighbours.

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
    excess : (ny, nx) float32
        In units of the noise, cut at +-10,000; NaN where the sample or all but two neighbours are missing.
    contrast : (ny, nx) float32
        The same over the scatter of the neighbours where that is more than twice the noise.
    """
    ny, nx = image.shape
    excess = np.full((ny, nx), np.nan, dtype=np.float32)
    contrast = np.full((ny, nx), np.nan, dtype=np.float32)
    near = np.empty(8)
    for y in range(ny):
        for x in range(nx):
            sigma = noise[(y + y0) % 2, (x + x0) % 2]
            count = _sorted_neighbours(image, y, x, near)
            if count < 3 or not np.isfinite(image[y, x]) or not sigma > 0:
                continue
            half, quarter = count // 2, count // 4
            middle = near[half] if count % 2 else (near[half - 1] + near[half]) / 2
            scatter = 0.8 * (near[count - 1 - quarter] - near[quarter])
            away = min(max((image[y, x] - middle) / sigma, -_LIMIT), _LIMIT)
            excess[y, x] = away
            contrast[y, x] = away * sigma / scatter if scatter > 2 * sigma else away
    return excess, contrast


@njit(cache=True, nogil=True)
def persistent(
    excess: Float32Array, contrast: Float32Array, threshold: float, star_share: float
) -> npt.NDArray[np.bool_]:
    """Samples that stand out in most exposures and are not part of the image of a star.

    Parameters
    ----------
    excess, contrast : (n, ny, nx) float32
        `neighbour_excess` of each exposure.
    threshold : float
        Significance asked of the lower median of the excess, whose error is ``sqrt(pi / 2 / n)`` sigma of one
        sample (1 for one or two exposures, where the lower median is the smaller value).
    star_share : float
        Share of the excess at adjacent samples from which it is a star: `STAR_STILL` or `STAR_MOVED`.

    Returns
    -------
    (ny, nx) bool
        True at defects, bright or dark. They also stand out by 1.5 sigma of one exposure.
    """
    _, ny, nx = excess.shape
    out = np.zeros((ny, nx), dtype=np.bool_)
    for y in range(ny):
        for x in range(nx):
            middle, count = _lower_median(excess, y, x)
            error = np.sqrt(np.pi / 2 / count) if count > 2 else 1.0
            if abs(middle) < max(threshold * error, _LEAST):
                continue
            if abs(_lower_median(contrast, y, x)[0]) < max(_CONTRAST * error, _LEAST):
                continue
            out[y, x] = not _is_star(excess, y, x, middle, star_share)
    return out


@njit(cache=True, nogil=True)
def stars_moved(excess: Float32Array) -> bool:
    """Whether stars stand elsewhere in most exposures, from the brightest samples of star-like images.

    True if at least five samples of the first exposure look like stars (excess over 30, shared by adjacent
    samples) and the typical one keeps less than 0.3 of its excess in the lower median over exposures.
    """
    n, ny, nx = excess.shape
    if n < 3:
        return False
    kept = np.empty(1000)
    count = 0
    for y in range(ny):
        for x in range(nx):
            first = excess[0, y, x]
            if count < len(kept) and first > 30 and _shared(excess[:1], y, x, first, STAR_MOVED):
                kept[count] = _lower_median(excess, y, x)[0] / first
                count += 1
    return bool(count >= 5 and np.median(kept[:count]) < 0.3)


@njit(cache=True, nogil=True)
def _sorted_neighbours(image: Float32Array, y: int, x: int, near: npt.NDArray[np.float64]) -> int:
    """Fill ``near`` with the finite same-plane neighbours in rising order; returns how many there are."""
    ny, nx = image.shape
    count = 0
    for dy in (-2, 0, 2):
        for dx in (-2, 0, 2):
            if (dy == 0 and dx == 0) or not (0 <= y + dy < ny and 0 <= x + dx < nx):
                continue
            other = image[y + dy, x + dx]
            if not np.isfinite(other):
                continue
            place = count
            while place > 0 and near[place - 1] > other:
                near[place] = near[place - 1]
                place -= 1
            near[place] = other
            count += 1
    return count


@njit(cache=True, nogil=True)
def _lower_median(stack: Float32Array, y: int, x: int) -> tuple[float, int]:
    """Median over exposures (of an even number the middle value nearer zero) and how many were finite."""
    values = np.empty(stack.shape[0])
    count = 0
    for i in range(stack.shape[0]):
        if np.isfinite(stack[i, y, x]):
            values[count] = stack[i, y, x]
            count += 1
    if count == 0:
        return 0.0, 0
    ordered = np.sort(values[:count])
    low, high = ordered[(count - 1) // 2], ordered[count // 2]
    if low * high < 0:
        return 0.0, count
    return (low if abs(low) < abs(high) else high), count


@njit(cache=True, nogil=True)
def _is_star(excess: Float32Array, y: int, x: int, middle: float, least: float) -> bool:
    """Whether a sample belongs to the image of a star: it has the light around it, or its brighter side has."""
    if _shared(excess, y, x, middle, least):
        return True
    for yy, xx in ((y - 1, x), (y + 1, x), (y, x - 1), (y, x + 1)):
        share = _share(excess, yy, xx, middle)
        if share > 1 and _shared(excess, yy, xx, share * middle, least):
            return True
    return False


@njit(cache=True, nogil=True)
def _shared(excess: Float32Array, y: int, x: int, middle: float, least: float) -> bool:
    """Whether an adjacent sample shares the excess along x and along y; in a bad column only along y."""
    return bool(
        max(_share(excess, y, x - 1, middle), _share(excess, y, x + 1, middle)) > least
        and max(_share(excess, y - 1, x, middle), _share(excess, y + 1, x, middle)) > least
    )


@njit(cache=True, nogil=True)
def _share(excess: Float32Array, y: int, x: int, middle: float) -> float:
    """Median excess of a sample over ``middle``; 0 off the frame."""
    if not (0 <= y < excess.shape[1] and 0 <= x < excess.shape[2]):
        return 0.0
    return _lower_median(excess, y, x)[0] / middle
