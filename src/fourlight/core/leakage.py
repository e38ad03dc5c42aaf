"""What is known of kinds of light before any pixel is looked at: who tells of what, what it costs, what leaks.

Throughout, ``matrix`` (c, k) holds electrons of channels per unit of each kind of light, ``variance`` (c,) the
variances of the channels, and ``modes`` (m, c, k) how the matrix may be off, one standard deviation each (see
`fourlight.sensor.mixing`).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fourlight.core.unmix import gain_of

__all__ = ["drawn", "inflation", "information", "left_without", "mixed_up", "recipe_noise", "systematic"]

Float64 = npt.NDArray[np.float64]


def information(matrix: Float64, variance: Float64) -> Float64:
    """Share of each channel in what is known of each kind of light, the others known: A^2 / v.

    Returns
    -------
    (k, c) float64
        Rows sum to 1.

    Examples
    --------
    >>> information(np.array([[1.0, 0.0], [0.0, 3.0], [0.0, 1.0]]), np.ones(3)).round(2).tolist()
    [[1.0, 0.0, 0.0], [0.0, 0.9, 0.1]]
    """
    each = (matrix**2 / variance[:, None]).T
    total = each.sum(axis=1, keepdims=True)
    return np.asarray(each / np.where(total > 0, total, 1.0))


def inflation(matrix: Float64, variance: Float64) -> Float64:
    """Variance of each kind of light over what it would be if the others were known.

    Returns
    -------
    (k,) float64
        At least 1; infinite where channels cannot tell kinds of light apart.

    Examples
    --------
    >>> inflation(np.array([[1.0, 0.0], [1.0, 1.0]]), np.ones(2)).round(3).tolist()
    [2.0, 2.0]
    >>> inflation(np.ones((2, 2)), np.ones(2)).tolist()
    [inf, inf]
    """
    weighted = matrix / np.sqrt(variance)[:, None]
    size = np.sqrt((weighted**2).sum(axis=0))
    unit = weighted / np.where(size > 0, size, np.inf)
    values, vectors = np.linalg.eigh(unit.T @ unit)
    if values[0] <= 1e-10 * values[-1]:
        return np.full(matrix.shape[1], np.inf)
    return np.asarray((vectors**2 / values).sum(axis=1))


def left_without(matrix: Float64, variance: Float64, gone: npt.NDArray[np.bool_]) -> Float64:
    """Signal over noise of each kind of light without some channels, over that with all of them.

    Returns
    -------
    (k,) float64
        0 where the channels that are left cannot tell it.

    Examples
    --------
    >>> left_without(np.array([[1.0], [1.0]]), np.ones(2), np.array([True, False])).round(3).tolist()
    [0.707]
    """
    kept = ~gone
    there = _noise(matrix, variance)
    if kept.sum() < matrix.shape[1] or not np.isfinite(inflation(matrix[kept], variance[kept])).all():
        return np.zeros(matrix.shape[1])
    return np.asarray(there / _noise(matrix[kept], variance[kept]))


def _noise(matrix: Float64, variance: Float64) -> Float64:
    """(k,) standard deviations."""
    gain = gain_of(matrix, variance)
    return np.asarray(np.sqrt((gain**2 * variance).sum(axis=1)))


def systematic(matrix: Float64, variance: Float64, modes: Float64) -> Float64:
    """What an error of the matrix does, one standard deviation: part of each kind of light that is told as another.

    Light x that is seen by A + D and told by A comes out as x + M D x.

    Returns
    -------
    (k, k) float64
        Row: as what it is told; column: what it is, in units of the columns. On the diagonal the error of its scale.

    Examples
    --------
    >>> off = np.zeros((1, 2, 2))
    >>> off[0, 1, 0] = 0.01
    >>> systematic(np.array([[1.0, 0.0], [0.2, 0.8]]), np.ones(2), off).round(4).tolist()
    [[0.0, 0.0], [0.0125, 0.0]]
    """
    moved = np.einsum("kc,mcj->mkj", gain_of(matrix, variance), modes)
    return np.asarray(np.sqrt((moved**2).sum(axis=0)))


def drawn(matrix: Float64, modes: Float64, count: int, seed: int) -> Float64:
    """Matrices (count, c, k) as they may be, for intervals of what is not linear in them; counts stay above zero."""
    if not len(modes):
        return np.repeat(matrix[None], count, axis=0)
    number = np.random.default_rng(seed).standard_normal((count, len(modes)))
    found = matrix + np.tensordot(number, modes, axes=1)
    return np.asarray(np.where(matrix > 0, np.maximum(found, 0.0), found))


def mixed_up(recipe: Float64, matrix: Float64) -> Float64:
    """What a fixed mixture of channels makes of each kind of light, in units of the kind that it is meant for.

    Parameters
    ----------
    recipe : (k, c) float64
        Shares of the channels that are taken for each kind of light.
    matrix : (c, k) float64

    Returns
    -------
    (k, k) float64
        Row: as what it is told; column: what it is. The diagonal is 1; a row is infinite, and NaN there, where the
        mixture takes nothing of the kind that it is meant for.

    Examples
    --------
    >>> mixed_up(np.array([[1.0, 0.0], [0.0, 1.0]]), np.array([[1.0, 0.1], [0.2, 0.8]])).round(3).tolist()
    [[1.0, 0.1], [0.25, 1.0]]
    """
    told = recipe @ matrix
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(told / np.diag(told)[:, None])


def recipe_noise(recipe: Float64, matrix: Float64, variance: Float64) -> Float64:
    """Noise of such a mixture in units of the kind of light that it is meant for, (k,) standard deviations.

    Infinite where it takes nothing of that kind.

    >>> recipe_noise(np.array([[0.5, 0.5]]), np.ones((2, 1)), np.array([1.0, 1.0])).round(3).tolist()
    [0.707]
    >>> recipe_noise(np.array([[0.0, 1.0]]), np.array([[1.0], [0.0]]), np.array([1.0, 1.0])).tolist()
    [inf]
    """
    with np.errstate(divide="ignore"):
        return np.asarray(np.sqrt((recipe**2 * variance).sum(axis=1)) / np.diag(recipe @ matrix))
