"""How likely it is by chance that so many of two sets of places coincide."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

__all__ = ["coincidence", "log10_at_least", "pairs_within"]

Float64 = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]

AROUND = 6.0
"""Radius over that of a coincidence within which the density of stars is looked at, besides that of all."""


def log10_at_least(count: int, chance: Float64) -> float:
    """Logarithm of the chance of ``count`` or more successes in independent trials, each with its own chance.

    The distribution is built trial by trial (Poisson binomial); all its terms are positive, so that small ones keep
    their digits.

    >>> round(10 ** log10_at_least(2, np.array([0.5, 0.5, 0.5])), 6)
    0.5
    >>> log10_at_least(3, np.array([1e-120, 1e-120, 1e-120])) < -300
    True
    """
    if count <= 0:
        return 0.0
    if count > len(chance):
        return -np.inf
    terms = np.zeros(len(chance) + 1)
    terms[0], scale = 1.0, 0.0
    odds = np.clip(chance, 1e-300, 1 - 1e-12)
    unit = float(np.exp(np.mean(np.log(odds))))  # of a success, so that no term leaves the range of numbers
    for p in odds:
        terms[1:] = terms[1:] * (1 - p) + terms[:-1] * (p / unit)
        terms[0] *= 1 - p
        top = terms.max()
        terms /= top
        scale += np.log10(top)
    with np.errstate(divide="ignore"):
        logs = np.log10(terms[count:]) + scale + np.log10(unit) * np.arange(count, len(terms))
    best = logs.max()
    return min(0.0, float(best + np.log10((10 ** (logs - best)).sum())))


def coincidence(places: Float64, stars: Float64, radius: float, area: float) -> Float64:
    """Chance (n,) of each place to lie within a radius of a star that has nothing to do with it.

    The larger of two densities counts: that of all stars on the area, and that around the place, so that a place in a
    heap of stars does not count as a find.
    """
    everywhere = len(stars) * np.pi * radius**2 / area
    near = cKDTree(stars).query_ball_point(places, AROUND * radius, return_length=True)
    # a star at the place itself would be the find: it does not say how dense its surroundings are
    around = np.maximum(near - 1, 0) / AROUND**2
    return np.asarray(1.0 - np.exp(-np.maximum(everywhere, around)))


def pairs_within(places: Float64, stars: Float64, radius: float) -> tuple[Int64, Int64]:
    """Numbers of places and stars that are each other's nearest and within a radius."""
    if len(places) == 0 or len(stars) == 0:
        return np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64)
    distance, star = cKDTree(stars).query(places, distance_upper_bound=radius)
    _, place = cKDTree(places).query(stars)
    mine = np.flatnonzero(np.isfinite(distance))
    mine = mine[place[star[mine]] == mine]
    return mine, star[mine].astype(np.int64)
