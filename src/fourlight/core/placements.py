"""How a star list may lie on a field of known stars: similarities that carry two of its stars onto two of theirs.

A pair of stars fixes shift, turn and scale; the other stars then say how good it is. Every pair of the field that is as
long as the list's pair may be (the scale is known roughly) is tried, both ways round and mirrored.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from fourlight.core.chance import log10_at_least

__all__ = ["Field", "placements"]

Float64 = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]

FEWEST = 3
"""Other stars that must fall on one of the field's."""
BY_CHANCE = 3.0
"""Placements of a pair that may have as many hits by chance."""
KEPT = 24
"""Best placements of a pair that are handed on."""


class Field:
    """Known stars on a plane, with a raster of where one is near.

    Parameters
    ----------
    points : (n, 2) float64
    tolerance : float
        How near counts as a hit, unit of the points.
    """

    def __init__(self, points: Float64, tolerance: float) -> None:
        self.order = np.argsort(points[:, 0], kind="stable")
        self.points = np.ascontiguousarray(points[self.order])
        self.step = tolerance / 2.0
        self.low = points.min(axis=0) - 2 * tolerance
        size = ((points.max(axis=0) - self.low + 2 * tolerance) / self.step).astype(np.int64) + 1
        self.raster = np.zeros((int(size[1]), int(size[0])), dtype=np.bool_)
        _mark(self.raster, self.points, self.low, self.step)

    def least_hits(self, others: int, tried: float) -> int:
        """Fewest hits of so many stars that few of so many placements reach by chance.

        >>> field = Field(np.random.default_rng(1).uniform(0, 100, (400, 2)), 1.0)
        >>> field.least_hits(28, 1e5) > field.least_hits(8, 1e5) > 3
        True
        """
        chance = np.full(others, float(self.raster.mean()))
        return next(
            (h for h in range(FEWEST, others) if tried * 10 ** log10_at_least(h, chance) <= BY_CHANCE),
            max(others, FEWEST),
        )


@njit(cache=True, nogil=True, error_model="numpy")
def _mark(raster: npt.NDArray[np.bool_], points: Float64, low: Float64, step: float) -> None:
    """Cells whose centre lies within two steps of a star."""
    for n in range(len(points)):
        u, v = (points[n, 0] - low[0]) / step, (points[n, 1] - low[1]) / step
        for j in range(int(v) - 2, int(v) + 3):
            for i in range(int(u) - 2, int(u) + 3):
                inside = 0 <= j < raster.shape[0] and 0 <= i < raster.shape[1]
                if inside and (i + 0.5 - u) ** 2 + (j + 0.5 - v) ** 2 <= 4.0:
                    raster[j, i] = True


def placements(
    stars: Float64, first: int, second: int, field: Field, spread: float, least: int
) -> tuple[Float64, Int64, int]:
    """Similarities of a star list to a field that carry two given stars onto two of the field's.

    Parameters
    ----------
    stars : (m, 2) float64
        Positions, brightest first, in the unit of the field as far as the scale is known.
    first, second : int
        The two stars.
    field : Field
    spread : float
        Largest scale over the one supposed, and the other way.
    least : int
        Fewest other stars that must fall on one of the field's.

    Returns
    -------
    (n, 2, 3) float64
        Maps, position = matrix @ (x, y, 1), best first, `KEPT` at most.
    (n,) int64
        Other stars that fall on a star.
    int
        How many placements were tried.
    """
    matrix, hits = np.zeros((KEPT, 6)), np.zeros(KEPT, dtype=np.int64)
    tried = _search(
        stars, first, second, field.points, field.raster, field.low, field.step, spread, least, matrix, hits
    )
    order = np.argsort(-hits, kind="stable")
    order = order[hits[order] > 0]
    return matrix[order].reshape(-1, 2, 3), hits[order], int(tried)


@njit(cache=True, nogil=True, error_model="numpy")
def _search(
    stars: Float64, first: int, second: int, points: Float64, raster: npt.NDArray[np.bool_], low: Float64,
    step: float, spread: float, least: int, matrix: Float64, hits: Int64,
) -> int:  # fmt: skip
    ux, uy = stars[second, 0] - stars[first, 0], stars[second, 1] - stars[first, 1]
    length = np.hypot(ux, uy)
    shortest, longest = length / spread, length * spread
    tried, need = 0, least
    start = 0
    trial = np.empty(6)
    for a in range(len(points)):
        while points[start, 0] < points[a, 0] - longest:
            start += 1
        for b in range(start, len(points)):
            vx = points[b, 0] - points[a, 0]
            if vx > longest:
                break
            vy = points[b, 1] - points[a, 1]
            if not shortest <= np.hypot(vx, vy) <= longest:
                continue
            for flip in (1.0, -1.0):
                tried += 1
                # z = v / u as complex numbers, u conjugated where the list is mirrored
                re = (vx * ux + vy * flip * uy) / length**2
                im = (vy * ux - vx * flip * uy) / length**2
                trial[0], trial[1], trial[3], trial[4] = re, -im * flip, im, re * flip
                trial[2] = points[a, 0] - trial[0] * stars[first, 0] - trial[1] * stars[first, 1]
                trial[5] = points[a, 1] - trial[3] * stars[first, 0] - trial[4] * stars[first, 1]
                found = _hits(stars, first, second, trial, raster, low, step, need)
                if found >= need:
                    worst = np.argmin(hits)
                    hits[worst] = found
                    matrix[worst] = trial
                    need = max(least, hits.min() + 1)
    return tried


@njit(cache=True, nogil=True, error_model="numpy")
def _hits(
    stars: Float64, first: int, second: int, trial: Float64, raster: npt.NDArray[np.bool_], low: Float64,
    step: float, need: int,
) -> int:  # fmt: skip
    """Other stars that fall on a star of the field; given up where ``need`` can no longer be reached."""
    found, left = 0, len(stars) - 2
    for k in range(len(stars)):
        if k in (first, second):
            continue
        x = trial[0] * stars[k, 0] + trial[1] * stars[k, 1] + trial[2]
        y = trial[3] * stars[k, 0] + trial[4] * stars[k, 1] + trial[5]
        i, j = int((x - low[0]) / step), int((y - low[1]) / step)
        if x >= low[0] and y >= low[1] and i < raster.shape[1] and j < raster.shape[0] and raster[j, i]:
            found += 1
        left -= 1
        if found + left < need:
            return 0
    return found
