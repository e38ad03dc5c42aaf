"""Local sky levels of a mosaic frame on a coarse grid of cells, one map per colour plane."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from fourlight.core.skylevel import SUMS, sky_level

__all__ = ["Excess", "cell_levels", "cell_side", "filled", "interpolated", "interpolated_many"]

Float32 = npt.NDArray[np.float32]

FEW = 448
"""Samples of a cell of which all are sorted; of more, the level is only begun from a seventh of them."""


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
        some = samples[..., :: _every(samples.shape[-1])].copy()
        some.sort(axis=-1)  # numpy sorts many values at a time where the processor can
        for y, x in np.ndindex(2, 2):
            _levels(some[y, x], samples[y, x], total[y, x], step, out[cell[y, x], j])
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
def _levels(some: Float32, cells: Float32, total: npt.NDArray[np.int64], step: float, out: Float32) -> None:
    """Level of each cell (mx, n) of samples; left alone where too few are usable.

    ``some`` (mx, m) are an even part of them, sorted, NaN and infinite ones last; few of all are usable where few of
    them are.
    """
    sums = np.empty((2, SUMS), dtype=np.float32)
    for i in range(len(cells)):
        part = some[i]
        n = len(part)
        while n > 0 and part[n - 1] - part[n - 1] != 0.0:
            n -= 1
        if n >= 4 and 4 * n * cells.shape[1] >= total[i] * len(part):
            out[i] = sky_level(part[:n], cells[i], step, sums)


def _every(count: int) -> int:
    """Every how many of so many samples are sorted; odd, so that they do not all lie in the same columns."""
    return 7 if count >= FEW else 1


def cell_side(shape: tuple[int, ...], wanted: int) -> int:
    """Even cell side that leaves at least four cells along the shorter side of the frame."""
    return max(8, min(wanted, min(shape) // 4) // 2 * 2)


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
