"""Levels of an image on a grid of square cells: clipped medians, with their errors."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

__all__ = ["Cells", "cell_levels"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Cells:
    """Levels of an image on a grid of square cells."""

    level: Float64
    """(my, mx) clipped median; NaN where too few pixels are usable."""
    error: Float64
    """(my, mx) standard error of the level from the scatter inside the cell."""
    scatter: Float64
    """(my, mx) standard deviation of the clipped pixels."""
    cell_px: int
    shape: tuple[int, int]
    """(ny, nx) of the image."""

    def centres(self) -> tuple[Float64, Float64]:
        """(my,) and (mx,) centre positions in pixels of the image."""
        first = (np.arange(count) * self.cell_px for count in self.level.shape)
        # a last part of a cell at the edge has its middle farther in
        y, x = (
            0.5 * (np.minimum(at + self.cell_px, size) + at - 1)
            for at, size in zip(first, self.shape, strict=True)
        )
        return np.asarray(y), np.asarray(x)


def cell_levels(image: Float32, mask: Bool | None, cell_px: int, *, min_share: float = 0.25) -> Cells:
    """Clipped median of each cell, masked and undefined pixels left out; large cells are sampled.

    Parameters
    ----------
    image : (ny, nx) float32
        NaN where undefined.
    mask : (ny, nx) bool, or None
        True where a pixel must not be used (stars).
    cell_px : int
        Side of a cell; a last part of a cell at the edge counts as a cell of its own.
    min_share : float
        Share of usable pixels below which a cell has no level.
    """
    ny, nx = image.shape
    my, mx = -(-ny // cell_px), -(-nx // cell_px)
    step = max(1, cell_px // 60)
    level, error, scatter = (np.full((my, mx), np.nan) for _ in range(3))
    values = np.empty((mx, (-(-cell_px // step)) ** 2), dtype=np.float32)
    for j in range(my):
        part = slice(j * cell_px, (j + 1) * cell_px, step)
        usable = np.isfinite(image[part]) if mask is None else np.isfinite(image[part]) & ~mask[part]
        total = _gather(np.where(usable, image[part], np.float32(np.nan)), cell_px, step, values)
        values.sort(axis=1)  # numpy sorts many values at a time where the processor can
        _clipped_cells(values, np.maximum(4.0, min_share * total), level[j], scatter[j], error[j])
    return Cells(level, error, scatter, cell_px, (ny, nx))


@njit(cache=True, nogil=True, error_model="numpy")
def _gather(rows: Float32, cell_px: int, step: int, values: Float32) -> npt.NDArray[np.int64]:
    """Fill ``values`` (mx, n) with every ``step``-th pixel of each cell, NaN behind them; how many they are (mx,)."""
    ny, nx = rows.shape
    total = np.zeros(len(values), dtype=np.int64)
    for i in range(len(values)):
        n, line = 0, values[i]
        for y in range(ny):
            for x in range(i * cell_px, min(nx, (i + 1) * cell_px), step):
                line[n] = rows[y, x]
                n += 1
        line[n:] = np.nan
        total[i] = n
    return total


@njit(cache=True, nogil=True, error_model="numpy")
def _clipped_cells(
    values: Float32, fewest: Float64, level: Float64, scatter: Float64, error: Float64
) -> None:
    """Clipped median of each cell (mx, n) of sorted values, NaN last; left alone where fewer are usable than needed."""
    for i in range(len(values)):
        part = values[i]
        n = len(part)
        while n > 0 and part[n - 1] != part[n - 1]:
            n -= 1
        if n >= fewest[i]:
            level[i], scatter[i], count = _clipped(part[:n])
            error[i] = 1.2533 * scatter[i] / np.sqrt(count)


@njit(cache=True, nogil=True, error_model="numpy")
def _clipped(ordered: Float32) -> tuple[float, float, int]:
    """Median, standard deviation and number of the ascending values within 3 sigma of the median, iterated."""
    low, high = 0, len(ordered)
    middle = _middle(ordered, low, high)
    sigma = 1.4826 * _median_away(ordered, middle)
    for _ in range(3):
        first, last = low, high
        while first < last and middle - ordered[first] > 3 * sigma:
            first += 1
        while last > first and ordered[last - 1] - middle > 3 * sigma:
            last -= 1
        if last - first < 4 or last - first == high - low:
            break
        low, high = first, last
        middle, sigma = _middle(ordered, low, high), _deviation(ordered, low, high, middle)
    return middle, sigma, high - low


@njit(cache=True, nogil=True, error_model="numpy")
def _middle(ordered: Float32, low: int, high: int) -> float:
    """Median of the ascending values from ``low`` up to ``high``."""
    return 0.5 * (np.float64(ordered[(low + high - 1) // 2]) + np.float64(ordered[(low + high) // 2]))


@njit(cache=True, nogil=True, error_model="numpy")
def _deviation(values: Float32, low: int, high: int, near: float) -> float:
    """Standard deviation of the values from ``low`` up to ``high``, none of them far from ``near``.

    Four sums at a time: each addition would wait for the one before it.
    """
    total, square = np.zeros(4), np.zeros(4)
    last = low + (high - low) // 4 * 4
    for k in range(low, last, 4):
        for i in range(4):
            away = np.float64(values[k + i]) - near
            total[i] += away
            square[i] += away * away
    for k in range(last, high):
        away = np.float64(values[k]) - near
        total[0] += away
        square[0] += away * away
    mean = total.sum() / (high - low)
    return float(np.sqrt(max(square.sum() / (high - low) - mean * mean, 0.0)))


@njit(cache=True, nogil=True, error_model="numpy")
def _median_away(ordered: Float32, middle: float) -> float:
    """Median of the distances of ascending values from their median."""
    n = len(ordered)
    here = _away(ordered, middle, n // 2)
    return here if n % 2 else 0.5 * (_away(ordered, middle, n // 2 - 1) + here)


@njit(cache=True, nogil=True, error_model="numpy")
def _away(ordered: Float32, middle: float, k: int) -> float:
    """The distance from the median that ``k`` of the ascending values stay below.

    Distances ascend to both sides of it; it is halved how many of the k smallest lie on the left.
    """
    right = len(ordered) // 2
    left, fewest, most = right - 1, max(0, k - (len(ordered) - right)), min(k, right)
    while fewest < most:
        i = (fewest + most) // 2
        if ordered[right + k - i - 1] - middle > middle - ordered[left - i]:
            fewest = i + 1
        else:
            most = i
    down = middle - ordered[left - fewest] if fewest <= left else np.inf
    up = ordered[right + k - fewest] - middle if right + k - fewest < len(ordered) else np.inf
    return float(min(down, up))
