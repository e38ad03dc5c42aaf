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

from fourlight.core.maps import affine, apply, similarity
from fourlight.core.triangles import consensus, voted_pairs

__all__ = ["FEWEST", "Match", "match"]

Float64 = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]

FEWEST = 4
"""Stars that a list needs: three make one triangle, which nothing bears out."""

FAST_PX = 0.03
"""Error at the corners up to which an affine map is trusted; its two extra numbers are small between frames."""

IN_A_ROW = 0.01
"""Stars whose spread across is this share of that along lie on a line."""


@dataclass(frozen=True, slots=True)
class Match:
    """A map between two star lists and the pairs behind it."""

    matrix: Float64
    """(2, 3): target position = matrix @ (x, y, 1)."""
    source_index: Int64
    target_index: Int64
    rms_px: float
    """Rms residual per axis of the pairs, target pixels."""
    corner_px: float
    """Standard error per axis of the map at the worst corner of the frame, target pixels."""


def match(
    source: Float64, target: Float64, weight: Float64, *, size: tuple[float, float] | None = None,
    brightest: int = 80, tolerance_px: float = 3.0,
) -> Match | None:  # fmt: skip
    """Find the map from one star list to another: affine where the stars fix one, else a similarity.

    Parameters
    ----------
    source, target : (n, 2) and (m, 2) float64
        Positions in pixels, brightest first.
    weight : (n,) float64
        Weight of each source star in the fit, such as the inverse variance of its position.
    size : (nx, ny) or None
        Size of the source frame, whose corners the map must fit; None: the box around the stars.
    brightest : int
        Stars of each list that form triangles.
    tolerance_px : float
        How far a first estimate may miss, in target pixels.

    Returns
    -------
    Match or None
        None where no map is supported by at least `FEWEST` pairs beyond chance.

    Examples
    --------
    >>> rng = np.random.default_rng(3)
    >>> a = rng.uniform(0, 900, (40, 2))
    >>> b = a @ np.array([[-1.0, 0.0], [0.0, -1.0]]) + [900.0, 910.0]
    >>> bool(np.allclose(match(a, b, np.ones(40)).matrix, [[-1, 0, 900], [0, -1, 910]], atol=1e-6))
    True
    """
    if min(len(source), len(target)) < FEWEST:
        return None
    found = []
    for mirrored in (False, True):
        a, b, votes = voted_pairs(source[:brightest], target[:brightest], mirrored)
        found.append((int(votes.sum()), a, b))
    corners = _corners(source, size)
    for _, a, b in sorted(found, key=lambda item: -item[0]):
        first = consensus(a, b, tolerance_px) if len(a) >= 2 else None
        result = _refined(first, source, target, weight, tolerance_px, corners) if first is not None else None
        if result is not None:
            return result
    return None


def _refined(
    matrix: Float64, source: Float64, target: Float64, weight: Float64, tolerance_px: float, corners: Float64
) -> Match | None:
    """Affine map over all stars, pairs re-chosen as the map improves; None where too few agree."""
    tree = cKDTree(target)
    reach = tolerance_px
    keep = index = np.empty(0, dtype=np.int64)
    rms = corner = np.inf
    for _ in range(8):
        x, y = apply(matrix, source[:, 0], source[:, 1])
        distance, near = tree.query(np.column_stack([x, y]), distance_upper_bound=reach)
        keep = np.flatnonzero(np.isfinite(distance))
        # A target star taken twice belongs to the nearer source star.
        order = keep[np.argsort(distance[keep], kind="stable")]
        keep = np.sort(order[np.unique(near[order], return_index=True)[1]])
        index = near[keep]
        if len(keep) < FEWEST:
            return None
        if _in_a_row(source[keep]):
            return None
        matrix, corner = _fitted(source[keep], target[index], weight[keep], corners, matrix)
        residual = np.column_stack(apply(matrix, source[keep, 0], source[keep, 1])) - target[index]
        spread = np.sqrt(np.average((residual**2).sum(axis=1) / 2, weights=weight[keep]))
        reach = float(np.clip(5.0 * spread, 0.25, tolerance_px))
        if abs(spread - rms) < 1e-6:
            break
        rms = float(spread)
    if not _believable(len(keep), len(source), len(target), reach, target):
        return None
    return Match(matrix, keep.astype(np.int64), np.asarray(index, dtype=np.int64), rms, corner)


def _corners(source: Float64, size: tuple[float, float] | None) -> Float64:
    """Corners (4, 2) of the frame."""
    low, high = (
        (source.min(axis=0), source.max(axis=0)) if size is None else (np.zeros(2), np.array(size) - 1)
    )
    return np.array([[low[0], low[1]], [high[0], low[1]], [low[0], high[1]], [high[0], high[1]]])


def _in_a_row(points: Float64) -> bool:
    """Whether points lie on a line: such stars do not tell a frame from its mirror image."""
    spread = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)
    return bool(spread[-1] < IN_A_ROW * spread[0])


def _fitted(
    source: Float64, target: Float64, weight: Float64, corners: Float64, before: Float64
) -> tuple[Float64, float]:
    """Affine map where the stars hold it fast at the corners, else a similarity; and its error there."""
    matrix = affine(source, target, weight)
    centre = np.average(source, axis=0, weights=weight)
    design = np.column_stack([source - centre, np.ones(len(source))])
    reach = np.column_stack([corners - centre, np.ones(4)])
    try:
        covariance = np.linalg.inv((design * weight[:, None]).T @ design)
    except np.linalg.LinAlgError:
        covariance = np.full((3, 3), np.inf)
    with np.errstate(invalid="ignore"):
        variance = float(np.einsum("ki,ij,kj->k", reach, covariance, reach).max())
    error = np.sqrt(variance) * _excess(matrix, source, target, weight, 6)
    if error <= FAST_PX:
        return matrix, float(error)
    matrix = similarity(source, target, weight, mirrored=bool(np.linalg.det(before[:, :2]) < 0))
    distance = ((corners - centre) ** 2).sum(axis=1).max()
    variance = 1 / weight.sum() + distance / (weight * ((source - centre) ** 2).sum(axis=1)).sum()
    return matrix, float(np.sqrt(variance) * _excess(matrix, source, target, weight, 4))


def _excess(matrix: Float64, source: Float64, target: Float64, weight: Float64, parameters: int) -> float:
    """Scatter of the residuals over what the weights (inverse variances) say; at least 1."""
    residual = np.column_stack(apply(matrix, source[:, 0], source[:, 1])) - target
    free = 2 * len(source) - parameters
    chi2 = float((weight[:, None] * residual**2).sum())
    return max(1.0, float(np.sqrt(chi2 / free))) if free > 0 else 1.0


def _believable(pairs: int, n: int, m: int, reach: float, target: Float64) -> bool:
    """Whether so many pairs could not come about by chance: five sigma above the expected number."""
    area = max(float(np.prod(np.ptp(target, axis=0))), 1.0)
    chance = n * m * np.pi * reach**2 / area
    return pairs >= 4 + chance + 5 * np.sqrt(chance) or pairs == min(n, m)
