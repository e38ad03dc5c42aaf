"""From a place that is proven to the plate solution: all stars, and a distortion where they ask for it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fourlight.core.chance import coincidence, pairs_within
from fourlight.core.distortion import SIMILARITY, Mapping, chosen_model, fitted, numbers
from fourlight.core.tangent import from_gnomonic, gnomonic
from fourlight.sky.catalogue import CatalogueStars, directions
from fourlight.sky.plate import PlateSolution
from fourlight.sky.weighing import LIMIT, TOLERANCE, StarField, Weighed, log10_wrong

__all__ = ["settled"]

Float64 = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]

MOST = 600
"""Catalogue stars that are fitted, brightest first."""
TURNS = 10
LEAST_PX = 0.7
CLIP = 4.0
"""Residuals beyond so many of the scatter per axis are none of the star's."""
UNEVEN = 1.05
"""Largest ratio of the scales along two directions: pixels are square."""


def settled(field: StarField, stars: CatalogueStars, start: Weighed) -> PlateSolution | None:
    """The solution that a proven place leads to; None where the fit goes astray.

    The order of the distortion is that which predicts stars left out best, see `fourlight.core.distortion`.
    """
    seen = stars.direction
    ra, dec = start.place.ra_deg, start.place.dec_deg
    mapping = Mapping(start.place.linear, np.zeros((2, 0)), np.zeros((2, 0)), 1)
    tolerance, half, rms = start.tolerance_px, (field.nx / 2, field.ny / 2), np.inf
    known = star = np.empty(0, dtype=np.int64)
    model = SIMILARITY
    for turn in range(TURNS):
        near, pixels = _on_frame(field, stars, seen, (ra, dec), mapping)
        bright = field.points[: 2 * len(near) + 10]
        known, star = pairs_within(pixels, bright, tolerance)
        known = near[known]
        if len(known) < max(4, start.found // 2):
            return None
        u, v = bright[star].T
        xi, eta = gnomonic(stars.ra_deg[known], stars.dec_deg[known], ra, dec)
        model = chosen_model(u, v, xi, eta, half) if turn > 2 else SIMILARITY
        mapping, (a, b) = fitted(u, v, xi, eta, model, half)
        ra, dec = (float(c) for c in from_gnomonic(a, b, ra, dec))
        x, y = mapping.pixels(*gnomonic(stars.ra_deg[known], stars.dec_deg[known], ra, dec))
        residual = np.concatenate([x - u, y - v])
        rms = float(np.sqrt((residual**2).mean()))
        scatter = 1.4826 * float(np.median(np.abs(residual)))
        # a first fit without its distortion must not lose the corners
        tolerance = min(start.tolerance_px, max(LEAST_PX, CLIP * (rms if turn < 3 else scatter)))
    if not _square(mapping, field):
        return None
    return _proven(field, stars, start, (ra, dec, mapping, max(tolerance, 3 * rms)), numbers(model))


def _proven(
    field: StarField,
    stars: CatalogueStars,
    start: Weighed,
    fit: tuple[float, float, Mapping, float],
    free: float,
) -> PlateSolution | None:
    """The fit with its grounds, weighed once more over all stars: those that were not yet looked for decide."""
    ra, dec, mapping, tolerance = fit
    near, pixels = _on_frame(field, stars, stars.direction, (ra, dec), mapping)
    bright = field.points[: 2 * len(near) + 10]
    place, star = pairs_within(pixels, bright, tolerance)
    chance = coincidence(pixels, bright, tolerance, float(field.nx * field.ny))
    log10 = log10_wrong(
        field, len(star), max(start.fixed, int(np.ceil(free))), chance, tolerance, start.log10_tried
    )
    if log10 > LIMIT:
        return None
    rms = float(np.sqrt(((pixels[place] - bright[star]) ** 2).mean()))
    return PlateSolution(
        ra, dec, field.ny, field.nx, mapping, len(star), min(len(near), 2 * len(field.x)), rms, log10, stars.epoch,
        stars.row[near[place]], star,
    )  # fmt: skip


def _on_frame(
    field: StarField, stars: CatalogueStars, seen: Float64, middle: tuple[float, float], mapping: Mapping
) -> tuple[Int64, Float64]:
    """Numbers of the brightest catalogue stars on the frame and their pixels (n, 2) from its middle."""
    scale = np.sqrt(abs(np.linalg.det(mapping.cd)))
    reach = np.radians(min(0.55 * scale * field.diagonal_px, 60.0))
    near = np.flatnonzero(seen @ directions(*middle) > np.cos(reach))
    u, v = mapping.pixels(*gnomonic(stars.ra_deg[near], stars.dec_deg[near], *middle))
    inside = np.flatnonzero((np.abs(u) <= field.nx / 2) & (np.abs(v) <= field.ny / 2))[:MOST]
    return near[inside], np.column_stack([u, v])[inside]


def _square(mapping: Mapping, field: StarField) -> bool:
    """Whether the scale is one that was supposed, the same along all directions, and no corner is bent far."""
    longest, shortest = np.linalg.svd(mapping.cd, compute_uv=False)
    scale = 3600 * np.sqrt(longest * shortest)
    most = field.spread * 1.02
    # a polynomial that stars of a part of the frame have led astray leaves the tangent plane at some corner
    u, v = np.array([[-1.0, -1, 1, 1], [-1, 1, -1, 1]]) * [[field.nx / 2], [field.ny / 2]]
    bent = np.linalg.inv(mapping.cd) @ np.array(mapping.standard(u, v)) - [u, v]
    if np.abs(bent).max() > TOLERANCE * field.diagonal_px:
        return False
    return bool(longest < UNEVEN * shortest and 1 / most < scale / field.scale_arcsec < most)
