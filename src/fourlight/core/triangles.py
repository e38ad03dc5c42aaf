"""Triangles of near stars: which stars of two lists are likely the same, whatever shift, turn, scale or mirror.

Each triangle is described by two side ratios and by the sense in which its corners run.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from fourlight.core.maps import apply

__all__ = ["consensus", "voted_pairs"]

Float64 = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]

NEIGHBOURS = 6
"""Near neighbours that form triangles with each star."""

RATIO_TOLERANCE = 0.008
"""Largest difference of side ratios of two triangles taken as similar."""


def _triangles(points: Float64) -> tuple[Float64, Int64]:
    """Descriptors (n, 3): two side ratios and the turning sense; corners (n, 3) ordered by opposite side."""
    k = min(NEIGHBOURS + 1, len(points))
    near = cKDTree(points).query(points, k=k)[1][:, 1:]
    first, second = np.triu_indices(k - 1, 1)
    corners = np.stack(
        [np.repeat(np.arange(len(points)), len(first)), near[:, first].ravel(), near[:, second].ravel()],
        axis=1,
    )
    corners = np.unique(np.sort(corners, axis=1), axis=0)
    p = points[corners]
    sides = np.stack([np.hypot(*(p[:, (i + 1) % 3] - p[:, (i + 2) % 3]).T) for i in range(3)], axis=1)
    order = np.argsort(-sides, axis=1)
    sides = np.take_along_axis(sides, order, axis=1)
    corners = np.take_along_axis(corners, order, axis=1)
    p = points[corners]
    a, b = p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]
    sense = np.sign(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])
    longest = np.maximum(sides[:, 0], 1e-9)
    ratios = np.column_stack([sides[:, 1] / longest, sides[:, 2] / longest, sense])
    # Flat or near-isosceles triangles do not say which corner is which.
    useful = (ratios[:, 1] > 0.15) & (ratios[:, 0] < 0.98) & (ratios[:, 0] - ratios[:, 1] > 0.02)
    return ratios[useful], corners[useful]


def voted_pairs(source: Float64, target: Float64, mirrored: bool) -> tuple[Float64, Float64, Int64]:
    """Pairs of stars that similar triangles agree on, as points, with their votes."""
    ratios_s, corners_s = _triangles(source)
    ratios_t, corners_t = _triangles(target)
    if len(ratios_s) == 0 or len(ratios_t) == 0:
        return source[:0], target[:0], np.empty(0, dtype=np.int64)
    sense = -1.0 if mirrored else 1.0
    found = cKDTree(ratios_t).query_ball_point(ratios_s * [1.0, 1.0, sense], RATIO_TOLERANCE)
    counts = np.fromiter((len(row) for row in found), dtype=np.int64, count=len(found))
    votes = np.zeros((len(source), len(target)), dtype=np.int64)
    rows = np.repeat(np.arange(len(found)), counts)
    columns = np.concatenate([np.asarray(row, dtype=np.int64) for row in found]) if counts.sum() else rows[:0]
    for corner in range(3):
        np.add.at(votes, (corners_s[rows, corner], corners_t[columns, corner]), 1)
    best = votes.argmax(axis=1)
    strength = votes[np.arange(len(source)), best]
    mutual = (votes.argmax(axis=0)[best] == np.arange(len(source))) & (strength > 1)
    index = np.flatnonzero(mutual)
    index = index[np.argsort(-strength[index], kind="stable")]
    return source[index], target[best[index]], strength[index]


def consensus(source: Float64, target: Float64, tolerance: float) -> Float64 | None:
    """Similarity (or mirrored similarity) that most of the voted pairs share."""
    n = min(len(source), 24)
    best, matrix = 2, None
    for i in range(n):
        for j in range(i + 1, n):
            for mirrored in (False, True):
                trial = _similarity(source[i], source[j], target[i], target[j], mirrored)
                if trial is None:
                    continue
                x, y = apply(trial, source[:, 0], source[:, 1])
                agree = int(((x - target[:, 0]) ** 2 + (y - target[:, 1]) ** 2 < tolerance**2).sum())
                if agree > best:
                    best, matrix = agree, trial
                    if agree >= 0.7 * len(source) and agree >= 8:
                        return matrix
    return matrix


def _similarity(a: Float64, b: Float64, c: Float64, d: Float64, mirrored: bool) -> Float64 | None:
    """The 2 x 3 (mirrored) similarity that carries a to c and b to d; None for coincident points."""
    flip = -1.0 if mirrored else 1.0
    u = complex(b[0] - a[0], flip * (b[1] - a[1]))
    v = complex(d[0] - c[0], d[1] - c[1])
    if abs(u) < 3.0 or abs(v) < 3.0:
        return None
    z = v / u
    linear = np.array([[z.real, -z.imag * flip], [z.imag, z.real * flip]])
    return np.column_stack([linear, c - linear @ a])
