"""Normal equations of one star profile over a whole field: its shape changes smoothly from place to place.

Each star has a place, a height and a sky of its own, which are eliminated; what is left are few numbers that all stars
share: coefficients of the shape's polynomial in the place, and the strength of the wings.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from fourlight.core.pixelprofile import fill_profile
from fourlight.core.profilerest import rest_at, share_out

__all__ = ["OWN", "add_differences", "field_equations", "fill_terms", "shape_at"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]

OWN = 4
"""Numbers of each star: place x, y, height and sky."""
HERE = 4 + OWN
"""Numbers that the light of one star depends on: its shape, the wings, and its own. Those of the shape stand for the
coefficients of the field, each times a power of the place, which is one for all pixels of a star."""


@njit(cache=True, nogil=True, error_model="numpy")
def fill_terms(x: float, y: float, out: Float64) -> None:
    """Fill with 1, x, y, x^2, x y, y^2, as many as there is room for; ``x, y`` are -1 to 1 over the field."""
    terms = (1.0, x, y, x * x, x * y, y * y)
    for k in range(out.size):
        out[k] = terms[k]


@njit(cache=True, nogil=True, error_model="numpy")
def shape_at(coefficients: Float64, terms: Float64, out: Float64) -> None:
    """Shape ``a, b, c`` from coefficients (3, m)."""
    for i in range(3):
        out[i] = 0.0
        for k in range(terms.size):
            out[i] += coefficients[i, k] * terms[k]


@njit(cache=True, nogil=True, error_model="numpy")
def _solved(matrix: Float64, right: Float64) -> Float64:
    """Solution of the own equations of a star, rows of ``right`` apart; NaN where there is none."""
    out = np.full(right.shape, np.nan)
    low = np.zeros((OWN, OWN))
    for i in range(OWN):
        for j in range(i + 1):
            total = matrix[i, j]
            for k in range(j):
                total -= low[i, k] * low[j, k]
            if i == j:
                if not total > 1e-12 * matrix[i, i]:
                    return out
                low[i, i] = np.sqrt(total)
            else:
                low[i, j] = total / low[j, j]
    for r in range(right.shape[0]):
        for i in range(OWN):
            total = right[r, i]
            for k in range(i):
                total -= low[i, k] * out[r, k]
            out[r, i] = total / low[i, i]
        for i in range(OWN - 1, -1, -1):
            total = out[r, i]
            for k in range(i + 1, OWN):
                total -= low[k, i] * out[r, k]
            out[r, i] = total / low[i, i]
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _gathered(
    image: Float32, variance: Float32, star: Float64, radius: int, shape: Float64, wings: float, rest: Float64,
    doubt: float, whole: Float64, rows: Float64, squares: Float64,
) -> None:  # fmt: skip
    """Add the pixels of one star to its equations in `HERE` numbers, and to chi-square and their count.

    They are its own shape a, b, c, the wings, then its place, height and sky. Of ``whole`` the lower half is filled.
    """
    x, y, height, sky = star[0], star[1], star[2], star[3]
    x0, y0 = int(np.rint(x)), int(np.rint(y))
    slope, part = np.empty(7), np.empty(HERE)
    part[7] = 1.0
    ny, nx = image.shape
    for j in range(max(0, y0 - radius), min(ny, y0 + radius + 1)):
        for i in range(max(0, x0 - radius), min(nx, x0 + radius + 1)):
            value, known = image[j, i], variance[j, i]
            if (i - x0) ** 2 + (j - y0) ** 2 > radius * radius or not (value == value and known > 0):
                continue
            fill_profile(i - x, j - y, shape, wings, slope)
            light = slope[6] + rest_at(rest, i - x, j - y)
            for u in range(3):
                part[u] = height * slope[u]
            part[3] = height * slope[5]
            part[4], part[5], part[6] = height * slope[3], height * slope[4], light
            weight = 1.0 / (known + (doubt * height * light) ** 2)
            left = value - height * light - sky
            squares[0] += weight * left * left
            squares[1] += 1.0
            for u in range(HERE):
                weighed = weight * part[u]
                rows[u] += weighed * left
                for v in range(u + 1):
                    whole[u, v] += weighed * part[v]


@njit(cache=True, nogil=True, error_model="numpy")
def _spread_out(small: Float64, rows: Float64, terms: Float64) -> tuple[Float64, Float64]:
    """Equations of a star in `HERE` numbers as those in the numbers of the field, shared ones first, then its own."""
    m = terms.size
    size = 3 * m + 1 + OWN
    number, share = np.empty(size, dtype=np.int64), np.ones(size)
    for u in range(size):
        number[u] = u // m if u < 3 * m else 3 + u - 3 * m
        if u < 3 * m:
            share[u] = terms[u % m]
    whole, right = np.empty((size, size)), np.empty(size)
    for u in range(size):
        right[u] = rows[number[u]] * share[u]
        for v in range(size):
            a, b = max(number[u], number[v]), min(number[u], number[v])
            whole[u, v] = small[a, b] * (share[u] * share[v])
    return whole, right


@njit(cache=True, nogil=True, error_model="numpy")
def field_equations(
    image: Float32, variance: Float32, stars: Float64, terms: Float64, radius: int, coefficients: Float64,
    wings: float, rest: Float64, doubt: float,
) -> tuple[Float64, Float64, Float64, Float64, Float64]:  # fmt: skip
    """Equations of the shared numbers, and those of each star.

    Parameters
    ----------
    image, variance : (ny, nx) float32
        NaN pixels are left out.
    stars : (n, 4) float64
        Place x, y, height and sky of each.
    terms : (n, m) float64
        From `fill_terms`.
    radius : int
        Of the disc that is fitted, pixels.
    coefficients : (3, m) float64
    wings : float
        ``t`` of `fourlight.core.pixelprofile`.
    rest : (q, q) float64
        What is added to the profile, see `fourlight.core.profilerest`.
    doubt : float
        Share of a star's light by which the profile may be wrong, so that the brightest do not decide all.

    Returns
    -------
    matrix : (p, p) float64
        p = 3 m + 1; own numbers of stars eliminated.
    right : (p,) float64
    pull : (n, p, 4) float64
        What own numbers change by for a change of shared ones, to take off ``step``.
    step : (n, 4) float64
        NaN where a star has no solution; it is left out then.
    squares : (n, 2) float64
        Chi-square and pixels of each.
    """
    n, m = terms.shape
    p = 3 * m + 1
    matrix, right, shape = np.zeros((p, p)), np.zeros(p), np.empty(3)
    pull, step, squares = np.zeros((n, p, OWN)), np.full((n, OWN), np.nan), np.zeros((n, 2))
    small, few = np.zeros((HERE, HERE)), np.zeros(HERE)
    for k in range(n):
        shape_at(coefficients, terms[k], shape)
        small[:] = 0.0
        few[:] = 0.0
        _gathered(image, variance, stars[k], radius, shape, wings, rest, doubt, small, few, squares[k])
        whole, rows = _spread_out(small, few, terms[k])
        both = np.empty((p + 1, OWN))
        both[:p], both[p] = whole[:p, p:], rows[p:]
        solved = _solved(whole[p:, p:].copy(), both)
        if not np.isfinite(solved).all():
            continue
        step[k], pull[k] = solved[p], solved[:p]
        for u in range(p):
            for q in range(OWN):
                right[u] -= whole[u, p + q] * solved[p, q]
                for v in range(p):
                    matrix[u, v] -= whole[u, p + q] * solved[v, q]
        matrix += whole[:p, :p]
        right += rows[:p]
    return matrix, right, pull, step, squares


@njit(cache=True, nogil=True, error_model="numpy")
def add_differences(
    image: Float32, variance: Float32, stars: Float64, terms: Float64, radius: int, coefficients: Float64,
    wings: float, doubt: float, total: Float64, sure: Float64,
) -> None:  # fmt: skip
    """Add to sums of the map of differences: residual over height times weight, and weight."""
    shape, slope = np.empty(3), np.empty(7)
    ny, nx = image.shape
    for k in range(len(stars)):
        shape_at(coefficients, terms[k], shape)
        x, y, height, sky = stars[k, 0], stars[k, 1], stars[k, 2], stars[k, 3]
        x0, y0 = int(np.rint(x)), int(np.rint(y))
        for j in range(max(0, y0 - radius), min(ny, y0 + radius + 1)):
            for i in range(max(0, x0 - radius), min(nx, x0 + radius + 1)):
                value, known = image[j, i], variance[j, i]
                if (i - x0) ** 2 + (j - y0) ** 2 > radius * radius or not (value == value and known > 0):
                    continue
                fill_profile(i - x, j - y, shape, wings, slope)
                left = (value - sky) / height - slope[6]
                weight = height * height / (known + (doubt * height * slope[6]) ** 2)
                share_out(left, weight, i - x, j - y, total, sure)
