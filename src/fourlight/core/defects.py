"""Defective samples: those that stand apart from their own-plane neighbours in every exposure.

A star does so too in exposures that were not shifted against each other, but a star also lifts the adjacent
samples of the other planes; a hot or dead sample stands alone (or in line, as a bad column does).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from fourlight.core.networks import sorted_eight

__all__ = ["HALO", "STAR_MOVED", "STAR_STILL", "excess_at", "persistent", "stars_moved"]

Float32Array = npt.NDArray[np.float32]
FloatArray = npt.NDArray[np.float64]

HALO = 4
"""Rows above and below a band that are needed to decide on its edge: two steps of adjacency, one of a plane."""
STAR_STILL = 0.1
"""Share of the excess that the nearer adjacent sample shows, along both axes, if it is a star. A Gaussian image
1.5 samples wide (FWHM) shows 0.29 when centred on the sample, more when not; a star of another colour than the
sky shows less in one plane."""
STAR_MOVED = 0.35
"""The same where exposures are shifted against each other: stars do not persist, so few need protection."""

_LIMIT = 1e4
"""Excess beyond this many sigma is cut."""
_LEAST = 1.5
"""Excess in sigma of one sample below which leaving a defect out costs more than it does."""
_CONTRAST = 3.0
"""Excess over the scatter of the same-plane neighbours that a defect must have; a star's flank has less."""


@njit(cache=True, nogil=True)
def excess_at(image: Float32Array, y: int, x: int, sigma: float) -> tuple[float, float]:
    """Excess of one sample over the median of its eight same-plane neighbours.

    Parameters
    ----------
    image : (ny, nx) float32
        Mosaic samples, any unit.
    y, x : int
        Place of the sample.
    sigma : float
        Standard deviation of one sample at sky level, unit of the image.

    Returns
    -------
    excess : float
        In units of sigma, cut at +-10,000; NaN off the frame and where the sample or all but two neighbours
        are missing.
    contrast : float
        The same over the scatter of the neighbours where that is more than twice sigma.
    """
    ny, nx = image.shape
    if not (0 <= y < ny and 0 <= x < nx) or not np.isfinite(image[y, x]) or not sigma > 0:
        return np.nan, np.nan
    low, middle, high = _around(image, y, x)
    if not np.isfinite(middle):
        return np.nan, np.nan
    scatter = 0.8 * (high - low)
    excess = min(max((image[y, x] - middle) / sigma, -_LIMIT), _LIMIT)
    return excess, excess * sigma / scatter if scatter > 2 * sigma else excess


@njit(cache=True, nogil=True)
def _around(image: Float32Array, y: int, x: int) -> tuple[float, float, float]:
    """Lower quartile, median and upper quartile of the eight same-plane neighbours; NaN with fewer than three."""
    ny, nx = image.shape
    if 2 <= y < ny - 2 and 2 <= x < nx - 2:
        a, b, c, d = image[y - 2, x - 2], image[y - 2, x], image[y - 2, x + 2], image[y, x - 2]
        e, f, g, h = image[y, x + 2], image[y + 2, x - 2], image[y + 2, x], image[y + 2, x + 2]
        if np.isfinite(a + b + c + d + e + f + g + h):
            near = sorted_eight(a, b, c, d, e, f, g, h)
            return float(near[2]), (float(near[3]) + float(near[4])) / 2, float(near[5])
    return _around_some(image, y, x)


@njit(cache=True, nogil=True)
def _around_some(image: Float32Array, y: int, x: int) -> tuple[float, float, float]:
    """The same at the edge of the frame and where neighbours are missing."""
    ny, nx = image.shape
    near = np.empty(8)
    count = 0
    for dy in (-2, 0, 2):
        for dx in (-2, 0, 2):
            if (dy == 0 and dx == 0) or not (0 <= y + dy < ny and 0 <= x + dx < nx):
                continue
            if np.isfinite(image[y + dy, x + dx]):
                near[count] = image[y + dy, x + dx]
                count += 1
    if count < 3:
        return np.nan, np.nan, np.nan
    near = np.sort(near[:count])
    half, quarter = count // 2, count // 4
    middle = near[half] if count % 2 else (near[half - 1] + near[half]) / 2
    return near[quarter], middle, near[count - 1 - quarter]


@njit(cache=True, nogil=True)
def persistent(
    stack: Float32Array, noise: FloatArray, y0: int, threshold: float, star_share: float
) -> npt.NDArray[np.bool_]:
    """Samples that stand out in most exposures and are not part of the image of a star.

    Parameters
    ----------
    stack : (n, ny, nx) float32
        Mosaic samples of each exposure, any unit; NaN is left out.
    noise : (n, 2, 2) float64
        Standard deviation of one sample by place ``[y % 2, x % 2]`` in the mosaic cell of the frame.
    y0 : int
        Row of the frame that ``stack[:, 0]`` is.
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
    n, ny, nx = stack.shape
    error = np.sqrt(np.pi / 2 / n) if n > 2 else 1.0
    least = max(threshold * error, _LEAST)
    # a median excess of ``least`` makes a mean excess of about as much: half of it picks candidates
    limit = 0.5 * least * _typical(noise)
    mean = np.empty((ny, nx), dtype=np.float32)
    apart = np.empty(nx, dtype=np.bool_)
    out = np.zeros((ny, nx), dtype=np.bool_)
    ready = 0
    for y in range(ny):
        while ready < min(ny, y + 3):  # just before they are looked at, while the samples are near
            _mean_row(stack, ready, mean[ready])
            ready += 1
        limits = limit[(y + y0) % 2]
        _apart(mean, y, limits, apart)
        for x in range(nx):
            if not apart[x] or abs(mean[y, x] - _around(mean, y, x)[1]) <= limits[x % 2]:
                continue
            if not _may_persist(stack, noise, y0, y, x, least):
                continue
            excess, contrast = _lower_medians(stack, noise, y0, y, x)
            if abs(excess) < least or abs(contrast) < max(_CONTRAST * error, _LEAST):
                continue
            out[y, x] = not _is_star(stack, noise, y0, y, x, excess, star_share)
    return out


@njit(cache=True, nogil=True)
def stars_moved(stack: Float32Array, noise: FloatArray, y0: int) -> bool:
    """Whether stars stand elsewhere in most exposures; arrays as in `persistent`.

    True if at least five samples of the first exposure look like stars (excess over 30, shared by adjacent
    samples) and the typical one keeps less than 0.3 of its excess in the lower median over exposures.
    """
    n, ny, nx = stack.shape
    if n < 3:
        return False
    kept = np.empty(200)
    apart = np.empty(nx, dtype=np.bool_)
    count = 0
    for y in range(ny):
        sigma = noise[0, (y + y0) % 2]
        _apart(stack[0], y, 20 * sigma, apart)
        for x in range(nx):
            if count == len(kept) or not apart[x]:
                continue
            first = excess_at(stack[0], y, x, sigma[x % 2])[0]
            if first > 30 and _shared(stack[:1], noise[:1], y0, y, x, first, STAR_MOVED):
                kept[count] = _lower_medians(stack, noise, y0, y, x)[0] / first
                count += 1
    return bool(count >= 5 and np.median(kept[:count]) < 0.3)


@njit(cache=True, nogil=True)
def _typical(noise: FloatArray) -> FloatArray:
    """Mean over exposures (2, 2)."""
    typical = np.zeros((2, 2))
    for i in range(len(noise)):
        typical += noise[i] / len(noise)
    return typical


@njit(cache=True, nogil=True)
def _mean_row(stack: Float32Array, y: int, mean: Float32Array) -> None:
    """Mean of a row over the exposures that have a value, of three and more without the highest; else NaN.

    The highest may be a star or a ray, which would hide a dark sample.
    """
    count = np.zeros(mean.size, dtype=np.float32)
    highest = np.full(mean.size, np.float32(-np.inf))
    mean[:] = 0
    for i in range(stack.shape[0]):
        row = stack[i, y]
        for x in range(mean.size):
            there = row[x] == row[x]
            mean[x] += row[x] if there else np.float32(0)
            highest[x] = row[x] if row[x] > highest[x] else highest[x]
            count[x] += np.float32(there)
    for x in range(mean.size):
        less = np.float32(count[x] > 2)
        total = mean[x] - (highest[x] if count[x] > 2 else np.float32(0))
        mean[x] = total / (count[x] - less) if count[x] > 0 else np.float32(np.nan)


@njit(cache=True, nogil=True)
def _apart(image: Float32Array, y: int, limits: FloatArray, apart: npt.NDArray[np.bool_]) -> None:
    """Quick look: whether samples of a row are far from their neighbours left and right, or above and below.

    Asking both pairs would lose bad rows and columns. True where neighbours are missing. ``limits`` (2,) for even and
    odd columns.
    """
    ny, nx = image.shape
    apart[:] = True
    if not 2 <= y < ny - 2:
        return
    above, here, below = image[y - 2], image[y], image[y + 2]
    even, odd = np.float32(limits[0]), np.float32(limits[1])
    for x in range(2, nx - 2):
        across = abs(here[x] - np.float32(0.5) * (here[x - 2] + here[x + 2]))
        along = abs(here[x] - np.float32(0.5) * (above[x] + below[x]))
        limit = odd if x & 1 else even
        apart[x] = not ((across <= limit) & (along <= limit))


@njit(cache=True, nogil=True)
def _may_persist(stack: Float32Array, noise: FloatArray, y0: int, y: int, x: int, least: float) -> bool:
    """Whether the lower median of the excess can be ``least`` or more; left as soon as too many exposures show less."""
    most = (stack.shape[0] - 1) // 2
    bright = dark = 0
    for i in range(stack.shape[0]):
        excess = excess_at(stack[i], y, x, noise[i, (y + y0) % 2, x % 2])[0]
        bright += excess < least
        dark += excess > -least
        if bright > most and dark > most:
            return False
    return True


@njit(cache=True, nogil=True)
def _lower_medians(stack: Float32Array, noise: FloatArray, y0: int, y: int, x: int) -> tuple[float, float]:
    """Medians over exposures of excess and contrast (of an even number the middle value nearer zero)."""
    n = stack.shape[0]
    excess, contrast = np.empty(n), np.empty(n)
    count = 0
    for i in range(n):
        first, second = excess_at(stack[i], y, x, noise[i, (y + y0) % 2, x % 2])
        if np.isfinite(first):
            excess[count], contrast[count] = first, second
            count += 1
    return _lower(np.sort(excess[:count])), _lower(np.sort(contrast[:count]))


@njit(cache=True, nogil=True)
def _lower(ordered: FloatArray) -> float:
    count = len(ordered)
    if count == 0:
        return 0.0
    low, high = ordered[(count - 1) // 2], ordered[count // 2]
    if low * high < 0:
        return 0.0
    return float(low if abs(low) < abs(high) else high)


@njit(cache=True, nogil=True)
def _is_star(
    stack: Float32Array, noise: FloatArray, y0: int, y: int, x: int, excess: float, least: float
) -> bool:
    """Whether a sample belongs to the image of a star: it has the light around it, or its brighter side has."""
    if _shared(stack, noise, y0, y, x, excess, least):
        return True
    for yy, xx in ((y - 1, x), (y + 1, x), (y, x - 1), (y, x + 1)):
        beside = _lower_medians(stack, noise, y0, yy, xx)[0]
        if beside / excess > 1 and _shared(stack, noise, y0, yy, xx, beside, least):
            return True
    return False


@njit(cache=True, nogil=True)
def _shared(
    stack: Float32Array, noise: FloatArray, y0: int, y: int, x: int, excess: float, least: float
) -> bool:
    """Whether an adjacent sample shares the excess along x and along y; in a bad column only along y."""
    left, right = _lower_medians(stack, noise, y0, y, x - 1)[0], _lower_medians(stack, noise, y0, y, x + 1)[0]
    if max(left / excess, right / excess) <= least:
        return False
    above, below = (
        _lower_medians(stack, noise, y0, y - 1, x)[0],
        _lower_medians(stack, noise, y0, y + 1, x)[0],
    )
    return bool(max(above / excess, below / excess) > least)
