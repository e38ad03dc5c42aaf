"""Local sky levels of a mosaic frame on a coarse grid of cells, one map per colour plane."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

__all__ = ["cell_levels", "filled", "interpolated", "interpolated_many", "subtracted"]

Float32 = npt.NDArray[np.float32]


@njit(cache=True, nogil=True)
def _clipped_median(values: Float32, n: int) -> float:
    """Median of ``values[:n]`` (sorted in place) after cutting what lies above median + 3 sigma.

    The sigma comes from the lower half alone, which stars and nebulae do not reach.
    """
    part = np.sort(values[:n])
    kept = n
    for _ in range(3):
        median = part[kept // 2] if kept % 2 else 0.5 * (part[kept // 2 - 1] + part[kept // 2])
        sigma = (median - part[int(0.1587 * kept)]) + 1e-12
        limit = median + 3.0 * sigma
        new = kept
        while new > 1 and part[new - 1] > limit:
            new -= 1
        if new == kept:
            return float(median)
        kept = new
    return float(part[kept // 2])


@njit(cache=True, nogil=True)
def cell_levels(image: Float32, cell: npt.NDArray[np.int64], side: int) -> Float32:
    """Robust sky level per plane and cell.

    Parameters
    ----------
    image : (ny, nx) float32
        Mosaic frame; NaN marks unusable samples.
    cell : (2, 2) int64
        Plane index of ``[y % 2, x % 2]``.
    side : int
        Side of a cell in pixels, even.

    Returns
    -------
    (4, my, mx) float32
        Median level with stars cut off, for ``ny // side`` by ``nx // side`` cells of equal size (a little
        above ``side`` where it does not divide the frame). NaN where fewer than a quarter of the samples are usable.

    Examples
    --------
    >>> levels = cell_levels(np.full((64, 64), 7.0, np.float32), np.array([[0, 1], [2, 3]]), 32)
    >>> levels.shape, float(levels[2, 1, 1])
    ((4, 2, 2), 7.0)
    """
    ny, nx = image.shape
    my, mx = max(1, ny // side), max(1, nx // side)
    out = np.full((4, my, mx), np.nan, dtype=np.float32)
    buffer = np.empty((2 * side) * (2 * side), dtype=np.float32)
    for j in range(my):
        y0, y1 = j * ny // my, (j + 1) * ny // my
        for i in range(mx):
            x0, x1 = i * nx // mx, (i + 1) * nx // mx
            for py in range(2):
                for px in range(2):
                    n, total = 0, 0
                    for y in range(y0 + (py - y0) % 2, y1, 2):
                        for x in range(x0 + (px - x0) % 2, x1, 2):
                            total += 1
                            value = image[y, x]
                            if value == value and n < buffer.size:
                                buffer[n] = value
                                n += 1
                    if n >= 4 and n * 4 >= total:
                        out[cell[py, px], j, i] = _clipped_median(buffer, n)
    return out


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


@njit(cache=True, nogil=True)
def subtracted(
    image: Float32, levels: Float32, cell: npt.NDArray[np.int64], scale: npt.NDArray[np.float64]
) -> Float32:
    """Frame minus its sky, divided by one scale per plane (such as the noise); NaN becomes 0.

    Parameters
    ----------
    image : (ny, nx) float32
    levels : (4, my, mx) float32
        Finite cell map.
    cell : (2, 2) int64
    scale : (4,) float64

    Returns
    -------
    (ny, nx) float32
    """
    ny, nx = image.shape
    my, mx = levels.shape[1], levels.shape[2]
    out = np.empty((ny, nx), dtype=np.float32)
    for y in range(ny):
        j, fy = _position(float(y), ny, my)
        j1 = min(j + 1, my - 1)
        for x in range(nx):
            value = image[y, x]
            if value != value:
                out[y, x] = 0.0
                continue
            plane = cell[y % 2, x % 2]
            i, fx = _position(float(x), nx, mx)
            i1 = min(i + 1, mx - 1)
            low = levels[plane, j, i] * (1 - fx) + levels[plane, j, i1] * fx
            high = levels[plane, j1, i] * (1 - fx) + levels[plane, j1, i1] * fx
            out[y, x] = (value - low * (1 - fy) - high * fy) / scale[plane]
    return out
