"""Figures of four stars, described by four numbers that shift, turn and scale do not change.

The two stars farthest apart become 0 and 1 of the complex plane; the places of the other two there are the numbers
(geometric hashing: Lang et al. 2010, AJ 139, 1782, section 2.1). Mirroring turns them into their conjugates.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

__all__ = ["described", "figures", "mirrored"]

Float64 = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]


def figures(points: Float64, neighbours: int) -> Int64:
    """Numbers (n, 4) of every star with three of its nearest neighbours, each figure once.

    Parameters
    ----------
    points : (m, d) float64
        Pixels, or directions on the sky.
    neighbours : int
        Nearest neighbours of every star.
    """
    count = min(neighbours, len(points) - 1)
    if count < 3:
        return np.empty((0, 4), dtype=np.int64)
    near = cKDTree(points).query(points, k=count + 1)[1].astype(np.int64)
    chosen = np.array(list(combinations(range(1, count + 1), 3)))
    own = np.repeat(near[:, :1], len(chosen), axis=0)
    found = np.sort(np.column_stack([own, near[:, chosen].reshape(-1, 3)]), axis=1)
    total = len(points)
    found = found[np.lexsort((found[:, 2] * total + found[:, 3], found[:, 0] * total + found[:, 1]))]
    fresh = np.ones(len(found), dtype=bool)
    fresh[1:] = (found[1:] != found[:-1]).any(axis=1)
    return np.asarray(found[fresh])


def described(corners: Float64) -> tuple[Float64, Int64, Float64]:
    """Description of figures of four stars.

    Parameters
    ----------
    corners : (n, 4, 2) float64

    Returns
    -------
    (n, 4) float64
        The numbers.
    (n, 4) int64
        Which corner is the first, second, third and fourth star.
    (n,) float64
        Distance of the first two, unit of the corners.

    Examples
    --------
    >>> corners = np.array([[[0.0, 0], [2, 1], [4, 0], [1, 3]]])
    >>> turned = corners @ np.array([[0.0, 3], [-3, 0]]) + 7
    >>> bool(np.allclose(described(corners)[0], described(turned)[0]))
    True
    """
    z = corners[..., 0] + 1j * corners[..., 1]
    pairs = np.array(list(combinations(range(4), 2)))
    rest = np.array([[k for k in range(4) if k not in pair] for pair in pairs])
    longest = np.abs(z[:, pairs[:, 0]] - z[:, pairs[:, 1]]).argmax(axis=1)
    order = np.column_stack([pairs[longest], rest[longest]])
    rows = np.arange(len(z))[:, None]
    a, b, c, d = z[rows, order].T
    size = np.maximum(np.abs(b - a), 1e-300)
    p, q = (c - a) / np.where(b == a, 1, b - a), (d - a) / np.where(b == a, 1, b - a)
    # Both ends and both others are alike: the end is the first that most of the others are near, and so on.
    turned = p.real + q.real > 1
    p, q = np.where(turned, 1 - p, p), np.where(turned, 1 - q, q)
    order[turned] = order[turned][:, [1, 0, 2, 3]]
    swapped = p.real > q.real
    p, q = np.where(swapped, q, p), np.where(swapped, p, q)
    order[swapped] = order[swapped][:, [0, 1, 3, 2]]
    return np.column_stack([p.real, p.imag, q.real, q.imag]), order.astype(np.int64), size


def mirrored(numbers: Float64) -> Float64:
    """Descriptions of the mirrored figures."""
    return np.asarray(numbers * np.array([1.0, -1.0, 1.0, -1.0]))
