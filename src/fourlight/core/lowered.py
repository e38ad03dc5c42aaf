"""Samples one by one, at the very places where they lie: those that have lowered weights, and few others."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from fourlight.core import bspline

__all__ = ["correct", "left_out", "list_lowered", "scattered"]

Float32 = npt.NDArray[np.float32]
Int64 = npt.NDArray[np.int64]


@njit(cache=True, nogil=True)
def _at(image: Float32, j: int, i: int, by: bspline.Weights, bx: bspline.Weights) -> np.float32:
    """A spline at the place with these weights beyond pixel (j, i)."""
    found = np.float32(0)
    for v in range(4):
        row = image[j - 1 + v]
        found += by[v] * (bx[0] * row[i - 1] + bx[1] * row[i] + bx[2] * row[i + 1] + bx[3] * row[i + 2])
    return found


@njit(cache=True, nogil=True)
def _spread(
    value: np.float32, image: Float32, j: int, i: int, by: bspline.Weights, bx: bspline.Weights
) -> None:
    """Add a value to the coefficients around it by these weights."""
    for v in range(4):
        row, part = image[j - 1 + v], by[v] * value
        for u in range(4):
            row[i - 1 + u] += bx[u] * part


@njit(cache=True, nogil=True)
def list_lowered(kept: Float32, j: int, columns: Int64) -> None:
    """List the columns from 1 to pw - 3 whose cells in row j may have lowered weights; then -1."""
    number, one = 0, np.float32(1)
    least = np.minimum(kept[j], kept[j + 1])
    for i in range(1, least.size - 2):
        if least[i] < one or least[i + 1] < one:
            columns[number] = i
            number += 1
    columns[number] = -1


@njit(cache=True, nogil=True)
def correct(
    cell: Float32, reach: Float32, given: Float32, j: int, columns: Int64, found: Float32, back: Float32,
    power: Float32,
) -> None:  # fmt: skip
    """Where weights are lowered, what reaches out changes from pixel to pixel: take it at the very places."""
    one = np.float32(1)
    for i in columns:
        if i < 0:
            break
        share, noise = cell[5, i], cell[4, i]
        if share == one or noise == 0:
            continue
        by, bx = bspline.weights(cell[3, i]), bspline.weights(cell[2, i])
        whole = share * _at(reach, j, i, by, bx) + (one - share) * _at(given, j, i, by, bx)
        before = back[i - 1] + share * (found[i - 1] - back[i - 1])
        power[i - 1] += (whole * whole - before * before) * noise


@njit(cache=True, nogil=True)
def scattered(cells: Float32, values: Float32, right: Float32) -> None:
    """Add one value per settled cell (ph, fine^2, pw), spread by the spline's weights at its place, to ``right``."""
    ph, kinds, _, pw = cells.shape
    for j in range(1, ph - 2):
        for c in range(kinds):
            for i in range(1, pw - 2):
                if values[j, c, i] != 0:
                    by, bx = bspline.weights(cells[j, c, 3, i]), bspline.weights(cells[j, c, 2, i])
                    _spread(values[j, c, i], right, j, i, by, bx)


@njit(cache=True, nogil=True)
def left_out(cells: Float32, kept: Float32, image: Float32, of_fit: bool, out: Float32) -> None:
    """Add what lowered weights lose, spread where it lies, to ``out`` (ph, pw).

    Parameters
    ----------
    cells : (ph, fine^2, 6, pw) float32
        Settled ones.
    kept : (ph, pw) float32
        Share of its weight that a sample keeps.
    image : (ph, pw) float32
        Spline coefficients.
    of_fit : bool
        True where ``image`` is the fit: what is lost is light, residuals times the weight lost. False where it is the
        factor by which light is given back: what is lost is that factor times the weight lost, by which the fit
        counts less in sums.
    """
    ph, kinds, _, pw = cells.shape
    columns, one = np.empty(pw, dtype=np.int64), np.float32(1)
    for j in range(1, ph - 2):
        list_lowered(kept, j, columns)
        for column in columns:
            i = int(column)
            if i < 0:
                break
            for c in range(kinds):
                cell = cells[j, c]
                w, lost = cell[0, i], one - cell[5, i]
                if w <= 0 or lost == 0:
                    continue
                by, bx = bspline.weights(cell[3, i]), bspline.weights(cell[2, i])
                found = w * _at(image, j, i, by, bx)
                _spread(lost * (cell[1, i] - found if of_fit else found), out, j, i, by, bx)
