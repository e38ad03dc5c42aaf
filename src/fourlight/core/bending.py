"""What optics add to an affine map between two star lists, where the stars show it beyond doubt."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from fourlight.core import bends, maps
from fourlight.core.maps import affine
from fourlight.core.matching import Match

__all__ = ["Bent", "bent"]

Float64 = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]

FEWEST_PAIRS = 40
"""Pairs of stars from which a bend is fitted: four for each of its ten numbers per axis."""

CLEAR = 4.0
"""What each of the bend's fourteen numbers must explain on average, over the variance that stays; by chance it is 1,
and beyond 3 once in ten thousand fits (F-test)."""

LEAST_PX = 0.02
"""Smaller bends are not worth a curved map."""

SURE = 3.0
"""The bend must be this many times as large as the map's error at the corners: else it does more harm than good."""

CELLS = 3
"""Cells per axis of what both frames show, each of which must hold a star: outside its stars a polynomial runs wild."""

LATTICE = 15
"""Places per axis that stand for what both frames show: five in each cell."""


@dataclass(frozen=True, slots=True)
class Bent:
    """A curved map between two star lists and the pairs behind it."""

    bend: Float64
    """(2, 4, 4), see `fourlight.core.bends`."""
    matrix: Float64
    """(2, 3): the affine map of the same pairs."""
    source_index: Int64
    target_index: Int64
    rms_px: float
    """Rms residual per axis of the pairs, target pixels."""
    corner_px: float
    """Standard error per axis of the map at the worst corner of what both frames show, target pixels."""


def bent(
    found: Match, source: Float64, target: Float64, weight: Float64,
    size: tuple[float, float], target_size: tuple[float, float],
) -> Bent | None:  # fmt: skip
    """Curved map that the pairs of an affine match and what it missed support; None where a straight one will do.

    Parameters
    ----------
    found : Match
    source, target : (n, 2) and (m, 2) float64
        Positions in pixels.
    weight : (n,) float64
        Inverse variance of the position of each source star.
    size, target_size : (nx, ny)
        Of the frames: where both show the sky but the pairs leave a large part without a star, the map stays straight.
    """
    shared = _shared(found.matrix, size, target_size)
    spread = 1 / weight
    index, near = found.source_index, found.target_index
    tree = cKDTree(target)
    result = None
    for _ in range(5):
        if len(index) < FEWEST_PAIRS or not _all_over(source[index], shared):
            return None
        result = _fitted(source, target, weight, index, near, shared)
        # What stars scatter beyond their noise (seeing, shape of pixels) no light takes away: without it the few
        # brightest would rule the fit.
        weight = 1 / (spread + result.rms_px**2)
        x, y = bends.apply(result.bend, source[:, 0], source[:, 1])
        reach = float(np.clip(5.0 * result.rms_px, 0.25, 3.0))
        index, near = _paired(tree, np.column_stack([x, y]), reach)
    return result if result is not None and _clear(result, source, target, weight) else None


def _shared(matrix: Float64, size: tuple[float, float], target_size: tuple[float, float]) -> Float64:
    """(k, 2) places on a lattice of the first frame that an affine map finds on the other."""
    ends = np.array(target_size) - 1
    across, down = np.array([[0.0, 1, 0, 1], [0, 0, 1, 1]]) * ends[:, None]
    back = np.column_stack(maps.apply(maps.inverse(matrix), across, down))
    low, high = (np.clip(edge, 0, np.array(size) - 1) for edge in (back.min(axis=0), back.max(axis=0)))
    x, y = np.meshgrid(*np.linspace(low, high, LATTICE).T)
    places = np.column_stack([x.ravel(), y.ravel()])
    there = np.column_stack(maps.apply(matrix, *places.T))
    return places[(np.abs(there - ends / 2) < ends / 2 + 0.5).all(axis=1)]


def _fitted(
    source: Float64, target: Float64, weight: Float64, index: Int64, near: Int64, shared: Float64
) -> Bent:
    bend = bends.polynomial(source[index], target[near], weight[index])
    residual = np.column_stack(bends.apply(bend, *source[index].T)) - target[near]
    spread = np.average((residual**2).sum(axis=1) / 2, weights=weight[index])
    matrix = affine(source[index], target[near], weight[index])
    rms = float(np.sqrt(spread))
    return Bent(bend, matrix, index, near, rms, rms * _leverage(source[index], weight[index], shared))


def _paired(tree: cKDTree, places: Float64, reach: float) -> tuple[Int64, Int64]:
    """Source and target stars within reach of each other; a target star taken twice belongs to the nearer one."""
    distance, near = tree.query(places, distance_upper_bound=reach)
    keep = np.flatnonzero(np.isfinite(distance))
    order = keep[np.argsort(distance[keep], kind="stable")]
    keep = np.sort(order[np.unique(near[order], return_index=True)[1]])
    return keep.astype(np.int64), np.asarray(near[keep], dtype=np.int64)


def _all_over(places: Float64, shared: Float64) -> bool:
    """Whether stars are in every cell of the box of what both frames show, of which that is a good part."""
    if not len(shared):
        return False
    low, span = shared.min(axis=0), np.maximum(np.ptp(shared, axis=0), 1e-9)

    def counts(points: Float64) -> Int64:
        cell = np.clip((points - low) / span * CELLS, 0, CELLS - 1).astype(int)
        return np.bincount(cell[:, 0] * CELLS + cell[:, 1], minlength=CELLS**2)

    part = counts(shared)
    return bool((counts(places)[2 * part >= part.max()] > 0).all())


def _clear(result: Bent, source: Float64, target: Float64, weight: Float64) -> bool:
    """Whether the bend explains more than an affine map of the same pairs would leave, and is worth it."""
    here, there, w = source[result.source_index], target[result.target_index], weight[result.source_index]
    flat, curved = (
        np.column_stack(bends.apply(m, *here.T)) for m in (bends.straight(result.matrix), result.bend)
    )
    left = float((w[:, None] * (curved - there) ** 2).sum())
    gained = float((w[:, None] * (flat - there) ** 2).sum()) - left
    numbers, free = 2 * (len(bends.TERMS) - 3), 2 * (len(here) - len(bends.TERMS))
    size = float(np.hypot(*(curved - flat).T).max())
    return size > max(LEAST_PX, SURE * result.corner_px) and gained / numbers > CLEAR * left / free


def _leverage(places: Float64, weight: Float64, shared: Float64) -> float:
    """Error of the map at the worst corner of what both frames show, over the rms of one star."""
    middle, reach = places.mean(axis=0), np.maximum(np.ptp(places, axis=0) / 2, 1e-9)

    def design(points: Float64) -> Float64:
        u, v = ((points - middle) / reach).T
        return np.stack([u**a * v**b for a, b in bends.TERMS], axis=1)

    inner, outer = design(places), design(shared)
    relative = weight / weight.mean()
    covariance = np.linalg.pinv((inner * relative[:, None]).T @ inner)
    return float(np.sqrt(np.einsum("ki,ij,kj->k", outer, covariance, outer).max()))
