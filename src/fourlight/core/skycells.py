"""Local sky levels of a mosaic frame on a coarse grid of cells, one map per colour plane.

A level is a mean with a weight that falls off smoothly from the middle of the samples. The median of whole numbers is
a whole number itself, and a weight with edges jumps as they pass one; this mean moves with the sky.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

__all__ = ["LEVEL_VARIANCE", "Excess", "cell_levels", "filled", "interpolated", "interpolated_many"]

Float32 = npt.NDArray[np.float32]

LEVEL_VARIANCE = 1.185
"""Variance of a level over that of the mean of its samples, all of them noise: the integral of
``w^2 x^2`` over the square of that of ``w x^2`` under a normal distribution; pi / 2 for a median."""

_WIDTH = 1.5
"""Width of the weight in standard deviations: stars bend it as little as a median, and it scatters less."""
_LEAST_SIGMA = 0.5
"""Least standard deviation, in steps of the digitiser: rounding alone makes 0.29."""
_LEAST_WIDTH = 1.25
"""Least width of the weight in steps: a narrower one shows where in the step the sky lies."""
_DOUBLINGS = 3
"""The exponential of ``-u`` is taken as ``(1 - u / 8)^8``, which ends at 4 widths."""
_POWER = 2.0**_DOUBLINGS
_LANES = 32
"""Sums that run side by side, so that the processor can add several values at once."""
_QUARTERS = 0.9465
"""Mean of the second quarter of a normal distribution less that of the first, in standard deviations."""
_ROUNDS = 3
_SETTLED = 0.1
"""Move in standard deviations after which the rest of it is below a hundredth."""


def cell_levels(image: Float32, cell: npt.NDArray[np.int64], side: int, step: float = 0.0) -> Float32:
    """Robust sky level per plane and cell.

    Parameters
    ----------
    image : (ny, nx) float32
        Mosaic frame; NaN marks unusable samples.
    cell : (2, 2) int64
        Plane index of ``[y % 2, x % 2]``.
    side : int
        Side of a cell in pixels, even.
    step : float
        Step of the digitiser in the unit of the samples; 0 where they are not whole numbers of it.

    Returns
    -------
    (4, my, mx) float32
        Level with stars cut off, for ``ny // side`` by ``nx // side`` cells of equal size (a little
        above ``side`` where it does not divide the frame). NaN where fewer than a quarter of the samples are usable.

    Notes
    -----
    Rounding bends it by less than 0.01 steps where the noise is 0.6 steps or more, by 0.04 at 0.4 and 0.1 at 0.3.

    Examples
    --------
    >>> levels = cell_levels(np.full((64, 64), 7.0, np.float32), np.array([[0, 1], [2, 3]]), 32)
    >>> levels.shape, float(levels[2, 1, 1])
    ((4, 2, 2), 7.0)
    """
    ny, nx = image.shape
    my, mx = max(1, ny // side), max(1, nx // side)
    out = np.full((4, my, mx), np.nan, dtype=np.float32)
    # One cell may have a row and a column more than the others.
    samples = np.empty((2, 2, mx, (ny // my + 2) // 2 * ((nx // mx + 2) // 2)), dtype=np.float32)
    total = np.empty((2, 2, mx), dtype=np.int64)
    for j in range(my):
        y0 = j * ny // my
        _gather(image[y0 : (j + 1) * ny // my], y0, samples, total)
        samples.sort(axis=-1)  # numpy sorts many values at a time where the processor can
        for y, x in np.ndindex(2, 2):
            _levels(samples[y, x], total[y, x], step, out[cell[y, x], j])
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _gather(rows: Float32, y0: int, samples: Float32, total: npt.NDArray[np.int64]) -> None:
    """Samples (2, 2, mx, n) of a row of cells by place in the mosaic, NaN behind them, and their number (2, 2, mx).

    ``y0`` is the place of the first row on the frame.
    """
    ny, nx = rows.shape
    mx = samples.shape[2]
    for i in range(mx):
        x0, x1 = i * nx // mx, (i + 1) * nx // mx
        for py in range(2):
            for px in range(2):
                first, line = x0 + (px + x0) % 2, samples[py, px, i]
                count, n = max(0, (x1 - first + 1) // 2), 0
                for y in range((py + y0) % 2, ny, 2):
                    row, to = rows[y, first:], line[n:]
                    for k in range(count):
                        to[k] = row[2 * k]
                    n += count
                line[n:] = np.nan
                total[py, px, i] = n


@njit(cache=True, nogil=True, error_model="numpy")
def _levels(cells: Float32, total: npt.NDArray[np.int64], step: float, out: Float32) -> None:
    """Level of each cell (mx, n) of sorted samples, NaN last; left alone where too few are usable."""
    sums = np.empty((2, _LANES), dtype=np.float32)
    for i in range(len(cells)):
        part = cells[i]
        n = len(part)
        while n > 0 and part[n - 1] != part[n - 1]:
            n -= 1
        if n >= 4 and 4 * n >= total[i]:
            out[i] = _level(part[:n], step, sums)


@njit(cache=True, nogil=True, error_model="numpy")
def _level(part: Float32, step: float, sums: Float32) -> float:
    """Level of the sorted samples, from the mean of their middle half on.

    The standard deviation comes from the lower half alone, which stars and nebulae do not reach.
    """
    kept = _kept(part, _LEAST_SIGMA * step)
    quarter = kept // 4
    if quarter == 0:
        return float(part[kept // 2])
    low, below = _mean(part[:quarter]), _mean(part[quarter : 2 * quarter])
    centre = 0.5 * (below + _mean(part[kept - 2 * quarter : kept - quarter]))
    sigma = max((below - low) / _QUARTERS, _LEAST_SIGMA * step)
    if not sigma > 0.0:
        return centre
    width = max(_WIDTH * sigma, _LEAST_WIDTH * step)
    # Newton's step where the samples are normal
    gain = 1.0 + (sigma / width) ** 2
    for _ in range(_ROUNDS):
        move = gain * _weighted_mean(part, centre, width, sums)
        centre += move
        if abs(move) < _SETTLED * sigma:
            break
    return centre


@njit(cache=True, nogil=True, error_model="numpy")
def _mean(values: Float32) -> float:
    """Mean of values, summed as distances from the first: single precision loses nothing."""
    total, first = np.float32(0.0), values[0]
    for value in values:
        total += value - first
    return float(first) + float(total) / len(values)


@njit(cache=True, nogil=True, error_model="numpy")
def _weighted_mean(values: Float32, centre: float, width: float, sums: Float32) -> float:
    """Weighted mean of the distances of the values from a centre."""
    sums[:] = 0.0
    totals, firsts = sums[0], sums[1]
    middle, scale = np.float32(centre), np.float32(0.5 / (width**2 * _POWER))
    one, nothing = np.float32(1.0), np.float32(0.0)
    for start in range(0, len(values), _LANES):
        part = values[start : start + _LANES]
        for i in range(len(part)):
            away = part[i] - middle
            weight = max(one - scale * away * away, nothing)
            for _ in range(_DOUBLINGS):
                weight *= weight
            totals[i] += weight
            firsts[i] += weight * away
    total = totals.sum()
    return float(middle) - centre + (float(firsts.sum()) / total if total > nothing else 0.0)


@njit(cache=True, nogil=True, error_model="numpy")
def _kept(part: Float32, least: float) -> int:
    """Number of the sorted samples that are not above median + 3 sigma."""
    kept = len(part)
    for _ in range(3):
        median = part[kept // 2] if kept % 2 else 0.5 * (part[kept // 2 - 1] + part[kept // 2])
        limit = median + 3.0 * max(median - part[int(0.1587 * kept)], least) + 1e-12
        new = kept
        while new > 1 and part[new - 1] > limit:
            new -= 1
        if new == kept:
            break
        kept = new
    return kept


def filled(levels: Float32) -> Float32:
    """Cell map with unusable cells replaced by the plane's median; all-NaN planes become zero.

    >>> filled(np.array([[[1, 2], [np.nan, 3]]], np.float32)).tolist()
    [[[1.0, 2.0], [2.0, 3.0]]]
    """
    out = levels.copy()
    for plane in out:
        good = np.isfinite(plane)
        plane[~good] = np.median(plane[good]) if good.any() else 0.0
    return out


@njit(cache=True, nogil=True)
def _position(pixel: float, size: int, cells: int) -> tuple[int, float]:
    """Cell below a pixel position and the share of the next one; ``size`` pixels hold ``cells`` cells."""
    place = (pixel + 0.5) * cells / size - 0.5
    place = min(max(place, 0.0), float(cells - 1))
    low = min(int(place), max(cells - 2, 0))
    return low, place - low


@njit(cache=True, nogil=True)
def interpolated(level: Float32, ny: int, nx: int, x: float, y: float) -> float:
    """Bilinear value at pixel ``(x, y)`` of one plane's cell map of an ``ny`` by ``nx`` frame.

    Beyond the centres of the outer cells the value is held constant.

    >>> level = np.array([[0.0, 10.0]], np.float32)
    >>> [interpolated(level, 8, 16, x, 3.0) for x in (0.0, 7.5, 15.0)]
    [0.0, 5.0, 10.0]
    """
    my, mx = level.shape
    j, fy = _position(y, ny, my)
    i, fx = _position(x, nx, mx)
    j1, i1 = min(j + 1, my - 1), min(i + 1, mx - 1)
    low = level[j, i] * (1 - fx) + level[j, i1] * fx
    high = level[j1, i] * (1 - fx) + level[j1, i1] * fx
    return float(low * (1 - fy) + high * fy)


@njit(cache=True, nogil=True)
def interpolated_many(
    level: Float32, ny: int, nx: int, x: npt.NDArray[np.float64], y: npt.NDArray[np.float64]
) -> npt.NDArray[np.float64]:
    """`interpolated` at many positions ``(n,)``."""
    out = np.empty(x.size)
    for k in range(x.size):
        out[k] = interpolated(level, ny, nx, x[k], y[k])
    return out


@dataclass(frozen=True, slots=True)
class Excess:
    """What a mosaic frame holds above its sky, in units of each plane's noise; made row by row where needed."""

    image: Float32
    """(ny, nx) samples; NaN marks unusable ones."""
    sky: Float32
    """(2, my, nx) level at each column for even and odd rows, at the centres of the cells in y."""
    share: Float32
    """(2, nx) one over the noise at each column of even and odd rows."""

    @classmethod
    def above(
        cls, image: Float32, levels: Float32, cell: npt.NDArray[np.int64], scale: npt.NDArray[np.float64]
    ) -> Excess:
        """Excess over a finite cell map ``levels`` (4, my, mx), one ``scale`` per plane (4,).

        >>> image = np.arange(8, dtype=np.float32).reshape(2, 4)
        >>> flat, cell = np.ones((4, 1, 1), np.float32), np.array([[0, 1], [2, 3]])
        >>> row = np.empty((1, 4), np.float32)
        >>> Excess.above(image, flat, cell, np.full(4, 2.0)).fill(1, row)
        >>> row.tolist()
        [[1.5, 2.0, 2.5, 3.0]]
        """
        nx = image.shape[1]
        share = np.array([np.resize(1.0 / scale[row], nx) for row in cell], dtype=np.float32)
        return cls(image, _columns(levels, cell, nx), share)

    def fill(self, y0: int, out: Float32, missing: float = np.nan) -> None:
        """Fill ``out`` (n, nx) with the rows from ``y0`` on, ``missing`` at unusable samples and off the frame."""
        _excess_rows(self.image, self.sky, self.share, y0, missing, out)


@njit(cache=True, nogil=True, error_model="numpy")
def _columns(levels: Float32, cell: npt.NDArray[np.int64], nx: int) -> Float32:
    """Levels (2, my, nx) at each column of even and odd rows, at the centres of the cells in y."""
    my, mx = levels.shape[1], levels.shape[2]
    out = np.empty((2, my, nx), dtype=np.float32)
    for x in range(nx):
        i, fx = _position(float(x), nx, mx)
        i1 = min(i + 1, mx - 1)
        for py in range(2):
            plane = cell[py, x % 2]
            for j in range(my):
                out[py, j, x] = levels[plane, j, i] * (1 - fx) + levels[plane, j, i1] * fx
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _excess_rows(image: Float32, sky: Float32, share: Float32, y0: int, missing: float, out: Float32) -> None:
    ny, nx = image.shape
    my, other = sky.shape[1], np.float32(missing)
    for y in range(y0, y0 + len(out)):
        to = out[y - y0]
        if y < 0 or y >= ny:
            to[:] = other
            continue
        j, fy = _position(float(y), ny, my)
        above, below = sky[y % 2, j], sky[y % 2, min(j + 1, my - 1)]
        high, low = np.float32(1 - fy), np.float32(fy)
        row, times = image[y], share[y % 2]
        for x in range(nx):
            value = (row[x] - above[x] * high - below[x] * low) * times[x]
            to[x] = value if value == value else other
