"""Maps of the plane as polynomials of third order: an affine map and what optics add to it.

A map is an array (2, 4, 4): output coordinate k of (x, y) is the sum of ``map[k, a, b] x^a y^b`` over a + b <= 3,
with x, y in pixels.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from fourlight.core import maps

__all__ = ["along_row", "apply", "inverse", "is_straight", "place", "polynomial", "straight"]

Float64 = npt.NDArray[np.float64]

TERMS = tuple((total - b, b) for total in range(4) for b in range(total + 1))
"""Exponents (a, b) of the ten terms, the affine ones first."""

MOST_CONDITION = 1e9
"""Of normal equations, beyond which they are not used: that of the points' own equations squared."""

GRID = 15
"""Points per axis from which the inverse of a bent map is fitted."""


def straight(matrix: Float64) -> Float64:
    """An affine map (..., 2, 3) as a polynomial (..., 2, 4, 4).

    >>> x, y = apply(straight(np.array([[2.0, 0, 1], [0, 3, 0]])), np.array([5.0]), np.array([1.0]))
    >>> float(x[0]), float(y[0])
    (11.0, 3.0)
    """
    out = np.zeros((*matrix.shape[:-1], 4, 4))
    out[..., 1, 0], out[..., 0, 1], out[..., 0, 0] = matrix[..., 0], matrix[..., 1], matrix[..., 2]
    return out


def is_straight(bend: Float64) -> bool:
    """Whether a map is affine."""
    return not any(bend[:, a, b].any() for a, b in TERMS[3:])


def apply(bend: Float64, x: Float64, y: Float64) -> tuple[Float64, Float64]:
    """Positions ``(x, y)`` carried by a map."""
    first, second = (np.polynomial.polynomial.polyval2d(x, y, part) for part in bend)
    return np.asarray(first), np.asarray(second)


@njit(cache=True, nogil=True)
def along_row(bend: Float64, y: float, dx: float, dy: float, row: Float64) -> None:
    """Coefficients (2, 4) in x of a map less ``(dx, dy)`` on the row ``y``, written to ``row``; see `place`.

    >>> row, bend = np.empty((2, 4)), straight(np.array([[1.0, 0.5, 7], [0, 1, 0]]))
    >>> along_row(bend, 2.0, 1.0, 0.0, row)
    >>> place(row[0], 10.0), place(row[1], 10.0)
    (17.0, 2.0)
    """
    for k in range(2):
        for a in range(4):
            row[k, a] = ((bend[k, a, 3] * y + bend[k, a, 2]) * y + bend[k, a, 1]) * y + bend[k, a, 0]
    row[0, 0] -= dx
    row[1, 0] -= dy


@njit(cache=True, nogil=True, inline="always")
def place(row: Float64, x: float) -> float:
    """Coordinate at ``x`` of a row from `along_row`."""
    return float(((row[3] * x + row[2]) * x + row[1]) * x + row[0])


def polynomial(source: Float64, target: Float64, weight: Float64) -> Float64:
    """Weighted least-squares map of points (n, 2), n >= 10, to points (n, 2)."""
    middle, reach = source.mean(axis=0), max(float(np.ptp(source, axis=0).max()) / 2, 1e-9)
    u, v = ((source - middle) / reach).T
    design = np.stack([u**a * v**b for a, b in TERMS], axis=1)
    root = np.sqrt(weight)[:, None]
    found = _solved(design * root, target * root)
    out = np.zeros((2, 4, 4))
    # ((x - m) / h)^a ((y - n) / h)^b written out in powers of x and y
    powers = [[np.polynomial.Polynomial([-m / reach, 1 / reach]) ** k for k in range(4)] for m in middle]
    for (a, b), values in zip(TERMS, found, strict=True):
        across, down = (np.asarray(part, dtype=np.float64) for part in (powers[0][a].coef, powers[1][b].coef))
        out[:, : a + 1, : b + 1] += values[:, None, None] * across[:, None] * down[None, :]
    return out


def _solved(design: Float64, target: Float64) -> Float64:
    """Least squares by normal equations, refined once; the general way where their condition is poor.

    Sums are taken without the library's threads, which of so few columns cost fifty times what they do.
    """
    normal = np.einsum("ni,nj->ij", design, design)
    if not np.linalg.cond(normal) < MOST_CONDITION:
        return np.asarray(np.linalg.lstsq(design, target, rcond=None)[0])
    found = np.zeros((design.shape[1], target.shape[1]))
    for _ in range(2):
        left = target - np.einsum("ni,ik->nk", design, found)
        found = found + np.linalg.solve(normal, np.einsum("ni,nk->ik", design, left))
    return found


def inverse(bend: Float64, shape: tuple[int, int], target: tuple[int, int]) -> Float64:
    """Map that undoes ``bend``, of a frame of ``shape`` (ny, nx) to one of ``target``: exactly if affine, else nearly.

    Of a bend of 5 px over a frame it leaves some hundredths of a pixel where the frames overlap.
    """
    matrix = np.stack([bend[:, 1, 0], bend[:, 0, 1], bend[:, 0, 0]], axis=-1)
    if is_straight(bend):
        return straight(maps.inverse(matrix))
    ny, nx = shape
    y, x = np.meshgrid(np.linspace(0, ny - 1, GRID), np.linspace(0, nx - 1, GRID), indexing="ij")
    frame = np.column_stack([x.ravel(), y.ravel()])
    stack = np.column_stack(apply(bend, frame[:, 0], frame[:, 1]))
    # Beyond the stars that both frames show a bend may be of any size.
    beyond = np.abs(stack / (np.array(target[::-1]) - 1) - 0.5).max(axis=1) > 0.55
    weight = np.where(beyond & (~beyond).any(), 1e-6, 1.0)
    return polynomial(stack, frame, weight)
