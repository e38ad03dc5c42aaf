"""Kinds of light from channels that each see several of them: generalised least squares, pixel by pixel.

With channels y, electrons A of each channel per unit of each kind of light x, and weights W = 1 / v, the estimate is
x = (A' W A)^-1 A' W y (Aitken 1936). Its covariance is M V M' with M the matrix in front of y and V the variances of
the channels, which is (A' W A)^-1 where W is 1 / V.

Weights must be those of the expected light: where they come from the pixel's own noisy light, a pixel that is too dark
by chance counts for more, and faint light comes out too faint, by 9 % of [OIII] where a pixel holds a few electrons.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
import numpy.typing as npt
from numba import njit

__all__ = ["gain_of", "pairs", "unmix"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Pairs: TypeAlias = list[tuple[int, int]]

SINGULAR = 1e-12
"""Part of a column's information that must be left when the columns before it are known."""


def pairs(count: int) -> Pairs:
    """Kinds of light whose covariance is told, in its order: each with itself, then each with those behind it.

    >>> pairs(3)
    [(0, 0), (1, 1), (2, 2), (0, 1), (0, 2), (1, 2)]
    """
    return [(k, k) for k in range(count)] + [(j, k) for j in range(count) for k in range(j + 1, count)]


def gain_of(matrix: Float64, variance: Float64) -> Float64:
    """The matrix M that makes light of channels, for one set of variances.

    Parameters
    ----------
    matrix : (c, k) float64
        Electrons of channels per unit of light; of full rank.
    variance : (c,) float64
        Of the channels, above zero; infinite where a channel does not count.

    Returns
    -------
    (k, c) float64

    Examples
    --------
    >>> gain_of(np.array([[1.0, 0.0], [0.2, 0.8]]), np.ones(2)).round(3).tolist()
    [[1.0, 0.0], [-0.25, 1.25]]
    """
    weighted = matrix / np.sqrt(variance)[:, None]
    return np.asarray(np.linalg.pinv(weighted) / np.sqrt(variance))


def unmix(values: Float32, variances: Float32, expected: Float32, matrix: Float64) -> tuple[Float32, Float32]:
    """Light of each kind, and its covariance, at every pixel.

    Parameters
    ----------
    values : (c, ny, nx) float32
        Channels less their sky, electrons.
    variances : (c, ny, nx) float32
        Of these pixels, electrons squared.
    expected : (c, ny, nx) float32
        Variances that expected light would have, by which channels are weighed; they must not follow the noise of the
        pixel itself.
    matrix : (c, k) float64
        Electrons of channels per unit of light.

    Returns
    -------
    light : (k, ny, nx) float32
        In units of the columns; NaN where a channel is NaN, or has no variance.
    covariance : (k (k + 1) / 2, ny, nx) float32
        In the order of `pairs`.

    Examples
    --------
    >>> y = np.array([2.0, 1.2], dtype=np.float32).reshape(2, 1, 1)
    >>> v = np.ones_like(y)
    >>> x, c = unmix(y, v, v, np.array([[1.0, 0.0], [0.2, 0.8]]))
    >>> x.ravel().round(3).tolist(), c.ravel().round(4).tolist()
    ([2.0, 1.0], [1.0, 1.625, -0.25])
    """
    channels, ny, nx = values.shape
    kinds = matrix.shape[1]
    # Columns of one size keep the pivots of the solution comparable, whatever their unit is.
    size = np.sqrt((matrix**2).sum(axis=0))
    light = np.empty((kinds, ny * nx), dtype=np.float32)
    told = np.array(pairs(kinds), dtype=np.int64)
    covariance = np.empty((len(told), ny * nx), dtype=np.float32)
    y, v, w = (np.ascontiguousarray(part).reshape(channels, -1) for part in (values, variances, expected))
    _solve(y, v, w, np.ascontiguousarray(matrix / size), size, told, light, covariance)
    return light.reshape(kinds, ny, nx), covariance.reshape(-1, ny, nx)


@njit(cache=True, nogil=True, error_model="numpy")
def _solve(
    values: Float32, variances: Float32, expected: Float32, matrix: Float64, size: Float64,
    told: npt.NDArray[np.int64], light: Float32, covariance: Float32,
) -> None:  # fmt: skip
    channels, kinds = matrix.shape
    normal, gain = np.empty((kinds, kinds)), np.empty((kinds, channels))
    for p in range(values.shape[1]):
        if _known(values, variances, expected, p) and _factor(matrix, expected, p, normal):
            _gain(matrix, expected, p, normal, gain)
            for k in range(kinds):
                total = 0.0
                for c in range(channels):
                    total += gain[k, c] * values[c, p]
                light[k, p] = total / size[k]
            for n in range(len(told)):
                i, j = told[n]
                total = 0.0
                for c in range(channels):
                    total += gain[i, c] * gain[j, c] * variances[c, p]
                covariance[n, p] = total / (size[i] * size[j])
        else:
            light[:, p] = np.nan
            covariance[:, p] = np.nan


@njit(cache=True, nogil=True, error_model="numpy")
def _known(values: Float32, variances: Float32, expected: Float32, p: int) -> bool:
    """Whether all channels hold a value and a variance at a pixel."""
    for c in range(len(values)):
        good = np.isfinite(values[c, p]) and np.isfinite(variances[c, p]) and expected[c, p] > 0
        if not (good and np.isfinite(expected[c, p])):
            return False
    return True


@njit(cache=True, nogil=True, error_model="numpy")
def _factor(matrix: Float64, expected: Float32, p: int, normal: Float64) -> bool:
    """Cholesky factor L of A' W A (lower half of ``normal``); False where it has none."""
    channels, kinds = matrix.shape
    for i in range(kinds):
        for j in range(i + 1):
            total = 0.0
            for c in range(channels):
                total += matrix[c, i] * matrix[c, j] / expected[c, p]
            normal[i, j] = total
    for i in range(kinds):
        whole = normal[i, i]
        for j in range(i + 1):
            total = normal[i, j]
            for k in range(j):
                total -= normal[i, k] * normal[j, k]
            if i == j:
                if not total > SINGULAR * whole:
                    return False
                normal[i, i] = np.sqrt(total)
            else:
                normal[i, j] = total / normal[j, j]
    return True


@njit(cache=True, nogil=True, error_model="numpy")
def _gain(matrix: Float64, expected: Float32, p: int, normal: Float64, gain: Float64) -> None:
    """Solve L L' M = A' W, channel by channel."""
    channels, kinds = matrix.shape
    for c in range(channels):
        for i in range(kinds):
            total = matrix[c, i] / expected[c, p]
            for k in range(i):
                total -= normal[i, k] * gain[k, c]
            gain[i, c] = total / normal[i, i]
        for i in range(kinds - 1, -1, -1):
            total = gain[i, c]
            for k in range(i + 1, kinds):
                total -= normal[k, i] * gain[k, c]
            gain[i, c] = total / normal[i, i]
