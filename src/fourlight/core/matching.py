"""Matching two star lists under any shift, rotation, scale and mirroring, and the map between them.

Triangles of each star with its near neighbours are described by two side ratios and by the sense in which
their corners run. Similar triangles vote for pairs of stars; the best-voted pairs give a first similarity,
which all stars then refine to an affine map.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

__all__ = ["Match", "affine", "apply", "composed", "inverse", "match"]

Float64 = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]

NEIGHBOURS = 6
"""Near neighbours that form triangles with each star."""

RATIO_TOLERANCE = 0.008
"""Largest difference of side ratios of two triangles taken as similar."""


@dataclass(frozen=True, slots=True)
class Match:
    """A map between two star lists and the pairs behind it."""

    matrix: Float64
    """(2, 3): target position = matrix @ (x, y, 1)."""
    source_index: Int64
    target_index: Int64
    rms_px: float
    """Rms residual per axis of the pairs, target pixels."""


def apply(matrix: Float64, x: Float64, y: Float64) -> tuple[Float64, Float64]:
    """Positions ``(x, y)`` carried by a 2 x 3 matrix.

    >>> x, y = apply(np.array([[1.0, 0, 5], [0, 1, -2]]), np.array([1.0]), np.array([1.0]))
    >>> x.tolist(), y.tolist()
    ([6.0], [-1.0])
    """
    return matrix[0, 0] * x + matrix[0, 1] * y + matrix[0, 2], matrix[1, 0] * x + matrix[1, 1] * y + matrix[
        1, 2
    ]


def inverse(matrix: Float64) -> Float64:
    """2 x 3 matrix that undoes ``matrix``.

    >>> inverse(np.array([[2.0, 0, 6], [0, 2, 0]])).tolist()
    [[0.5, 0.0, -3.0], [0.0, 0.5, 0.0]]
    """
    linear = np.linalg.inv(matrix[:, :2])
    return np.column_stack([linear, -linear @ matrix[:, 2]])


def composed(first: Float64, second: Float64) -> Float64:
    """2 x 3 matrix that applies ``first``, then ``second``.

    >>> turn, shift = np.array([[0.0, -1, 0], [1, 0, 0]]), np.array([[1.0, 0, 5], [0, 1, 0]])
    >>> composed(turn, shift).tolist()
    [[0.0, -1.0, 5.0], [1.0, 0.0, 0.0]]
    """
    return np.column_stack([second[:, :2] @ first[:, :2], second[:, :2] @ first[:, 2] + second[:, 2]])


def affine(source: Float64, target: Float64, weight: Float64) -> Float64:
    """Weighted least-squares affine map of ``(n, 2)`` points, n >= 3, as a 2 x 3 matrix.

    >>> corners = np.array([[0.0, 0], [10, 0], [0, 10], [10, 10]])
    >>> (affine(corners, 3 * corners + 1, np.ones(4)).round(6) + 0.0).tolist()
    [[3.0, 0.0, 1.0], [0.0, 3.0, 1.0]]
    """
    centre = np.average(source, axis=0, weights=weight)
    root = np.sqrt(weight)[:, None]
    design = np.column_stack([source - centre, np.ones(len(source))]) * root
    solution = np.linalg.lstsq(design, target * root, rcond=None)[0].T
    return np.column_stack([solution[:, :2], solution[:, 2] - solution[:, :2] @ centre])


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


def _voted_pairs(source: Float64, target: Float64, mirrored: bool) -> tuple[Float64, Float64, Int64]:
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


def _consensus(source: Float64, target: Float64, tolerance: float) -> Float64 | None:
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


def match(
    source: Float64, target: Float64, weight: Float64, *, brightest: int = 80, tolerance_px: float = 3.0
) -> Match | None:
    """Find the affine map from one star list to another.

    Parameters
    ----------
    source, target : (n, 2) and (m, 2) float64
        Positions in pixels, brightest first.
    weight : (n,) float64
        Weight of each source star in the fit, such as the inverse variance of its position.
    brightest : int
        Stars of each list that form triangles.
    tolerance_px : float
        How far a first estimate may miss, in target pixels.

    Returns
    -------
    Match or None
        None where no map is supported by at least three pairs beyond chance.

    Examples
    --------
    >>> rng = np.random.default_rng(3)
    >>> a = rng.uniform(0, 900, (40, 2))
    >>> b = a @ np.array([[-1.0, 0.0], [0.0, -1.0]]) + [900.0, 910.0]
    >>> np.round(match(a, b, np.ones(40)).matrix, 6).tolist()
    [[-1.0, 0.0, 900.0], [0.0, -1.0, 910.0]]
    """
    if len(source) < 3 or len(target) < 3:
        return None
    found = []
    for mirrored in (False, True):
        a, b, votes = _voted_pairs(source[:brightest], target[:brightest], mirrored)
        found.append((int(votes.sum()), a, b))
    for _, a, b in sorted(found, key=lambda item: -item[0]):
        first = _consensus(a, b, tolerance_px) if len(a) >= 2 else None
        result = _refined(first, source, target, weight, tolerance_px) if first is not None else None
        if result is not None:
            return result
    return None


def _refined(
    matrix: Float64, source: Float64, target: Float64, weight: Float64, tolerance_px: float
) -> Match | None:
    """Affine map over all stars, pairs re-chosen as the map improves; None where too few agree."""
    tree = cKDTree(target)
    reach = tolerance_px
    keep = index = np.empty(0, dtype=np.int64)
    rms = np.inf
    for _ in range(8):
        x, y = apply(matrix, source[:, 0], source[:, 1])
        distance, near = tree.query(np.column_stack([x, y]), distance_upper_bound=reach)
        keep = np.flatnonzero(np.isfinite(distance))
        # A target star taken twice belongs to the nearer source star.
        order = keep[np.argsort(distance[keep], kind="stable")]
        keep = np.sort(order[np.unique(near[order], return_index=True)[1]])
        index = near[keep]
        if len(keep) < 3:
            return None
        matrix = affine(source[keep], target[index], weight[keep])
        residual = np.column_stack(apply(matrix, source[keep, 0], source[keep, 1])) - target[index]
        spread = np.sqrt(np.average((residual**2).sum(axis=1) / 2, weights=weight[keep]))
        reach = float(np.clip(5.0 * spread, 0.25, tolerance_px))
        if abs(spread - rms) < 1e-6:
            break
        rms = float(spread)
    if not _believable(len(keep), len(source), len(target), reach, target):
        return None
    return Match(matrix, keep.astype(np.int64), np.asarray(index, dtype=np.int64), rms)


def _believable(pairs: int, n: int, m: int, reach: float, target: Float64) -> bool:
    """Whether so many pairs could not come about by chance: five sigma above the expected number."""
    area = max(float(np.prod(np.ptp(target, axis=0))), 1.0)
    chance = n * m * np.pi * reach**2 / area
    return pairs >= 4 + chance + 5 * np.sqrt(chance) or pairs == min(n, m) >= 3
