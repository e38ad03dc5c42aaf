"""Whether a star list lies where it is supposed to: how many catalogue stars it meets there, and how likely by chance.

A supposed place comes from two or four stars. The others are independent of it: the chance that as many of them meet
stars, times the number of places tried, bounds the chance of a wrong solution from above (Bonferroni). Where places are
tried one after the other and nobody knows how many there will be, each is allowed a part of the chance, and all parts
make one, see `log10_spent`. A place that is
improved by its own finds could have been improved in as many ways as it has numbers: the factor for that is the volume
of the first tolerance over that of the last, in four dimensions.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fourlight.core import maps
from fourlight.core.chance import coincidence, log10_at_least, pairs_within
from fourlight.core.tangent import from_gnomonic, gnomonic
from fourlight.sky.catalogue import CatalogueStars, directions

__all__ = ["LIMIT", "Place", "StarField", "Weighed", "in_frame", "log10_spent", "log10_wrong", "weighed"]

Float64 = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]

TOLERANCE = 0.01
"""First tolerance over the diagonal of the frame: what the scatter of two stars, distortion and bent planes leave."""
FINER = (1.0, 0.4, 0.16, 0.06)
"""Later tolerances over the first."""
LEAST_PX = 1.0
MOST = 60
"""Catalogue stars that are looked for, brightest first."""
LIMIT = -5.0
"""Logarithm of the chance of a wrong solution above which there is none."""
HOPELESS = 5.0
"""Logarithm of the bound with the first tolerance from which no finer one is tried: no proof comes of these."""
NEEDED = 3
"""Fewest stars beside those that the place comes from."""


@dataclass(frozen=True, slots=True)
class StarField:
    """Stars of a picture, brightest first, and what is supposed of its scale."""

    x: Float64
    """From the middle of the frame, pixels."""
    y: Float64
    ny: int
    nx: int
    scale_arcsec: float
    spread: float
    """The true scale may be so many times larger or smaller."""

    @property
    def diagonal_px(self) -> float:
        """Of the frame."""
        return float(np.hypot(self.nx, self.ny))

    @property
    def diagonal_deg(self) -> float:
        """Of the frame, as far as the scale is known."""
        return self.diagonal_px * self.scale_arcsec / 3600

    @property
    def area_deg2(self) -> float:
        """Of the frame, as far as the scale is known."""
        return self.nx * self.ny * (self.scale_arcsec / 3600) ** 2

    @property
    def points(self) -> Float64:
        """(n, 2) pixels from the middle."""
        return np.column_stack([self.x, self.y])


@dataclass(frozen=True, slots=True)
class Place:
    """Where a frame is supposed to lie."""

    ra_deg: float
    """Of its middle."""
    dec_deg: float
    linear: Float64
    """(2, 2) standard coordinates in degrees per pixel: a similarity, mirrored or not."""

    @property
    def mirrored(self) -> bool:
        """Whether the determinant is negative; no matter which of both is the sky's."""
        return bool(np.linalg.det(self.linear) < 0)


@dataclass(frozen=True, slots=True)
class Weighed:
    """A place after it was improved, with its grounds."""

    place: Place
    tolerance_px: float
    found: int
    expected: int
    log10_chance: float
    log10_tried: float
    """Logarithm of what its chance counts for the places that are tried beside it."""
    fixed: int
    """Stars that the place comes from."""


def log10_spent(tried: int) -> float:
    """Logarithm of what the chance of a place counts when so many, it among them, were tried one after the other.

    The chance is spent as 1 / (2 k (1 + ln k)^2) on the k-th place. The sum over all k is below one, for that of
    1 / (k (1 + ln k)^2) is below its first term, 1, and its integral from there, 1. Shares of 1 / k, which count places
    by their number, would sum to ln k: 14 for a million.

    >>> round(log10_spent(1), 2), round(log10_spent(1_000_000), 2)
    (0.3, 8.64)
    """
    return float(np.log10(2.0 * tried) + 2.0 * np.log10(1.0 + np.log(tried)))


def log10_wrong(
    field: StarField, found: int, numbers: int, chance: Float64, tolerance_px: float, log10_tried: float
) -> float:
    """Logarithm of an upper bound of the chance that a wrong place is as good as this.

    Parameters
    ----------
    field : StarField
    found : int
        Stars that meet.
    numbers : int
        Stars that do not count, for the place was made from them, or numbers were fitted to them: two a star.
    chance : (n,) float64
        Of every star looked for to meet one.
    tolerance_px : float
    log10_tried : float
    """
    others = np.sort(chance)[numbers:]
    finer = 4 * np.log10(max(TOLERANCE * field.diagonal_px / tolerance_px, 1.0)) + np.log10(len(FINER))
    return log10_at_least(found - numbers, others) + log10_tried + float(finer)


def in_frame(
    field: StarField, stars: CatalogueStars, seen: Float64, place: Place
) -> tuple[Int64, Float64, Float64]:
    """Numbers of the catalogue stars on the frame, their standard coordinates (n, 2), and pixels (n, 2).

    ``seen`` are the directions of all of ``stars``.
    """
    scale = np.sqrt(abs(np.linalg.det(place.linear)))
    reach = np.radians(min(0.55 * scale * field.diagonal_px, 60.0))
    near = np.flatnonzero(seen @ directions(place.ra_deg, place.dec_deg) > np.cos(reach))
    plane = np.column_stack(gnomonic(stars.ra_deg[near], stars.dec_deg[near], place.ra_deg, place.dec_deg))
    pixels = plane @ np.linalg.inv(place.linear).T
    inside = (np.abs(pixels[:, 0]) <= field.nx / 2) & (np.abs(pixels[:, 1]) <= field.ny / 2)
    return near[inside], plane[inside], pixels[inside]


def weighed(
    field: StarField, stars: CatalogueStars, seen: Float64, place: Place, fixed: int, log10_tried: float
) -> Weighed | None:
    """Improve a place and weigh it; None where too few stars meet.

    Parameters
    ----------
    field : StarField
    stars : CatalogueStars
        Around the place, brightest first.
    seen : (n, 3) float64
        Their directions.
    place : Place
    fixed : int
        Stars of the list that the place was made from.
    log10_tried : float
        Logarithm of what its chance counts for the places that are tried beside it: their number, or `log10_spent`.
    """
    best, first = None, TOLERANCE * field.diagonal_px
    for share in FINER:
        tolerance = first * share
        if tolerance < LEAST_PX:
            break
        moved = _improved(field, stars, seen, place, tolerance)
        if moved is None:
            break
        place, found, chance = moved
        if len(found) < fixed + NEEDED:
            break
        log10 = log10_wrong(field, len(found), fixed, chance, tolerance, log10_tried)
        if share == 1.0 and log10 > HOPELESS:
            break
        if best is None or log10 < best.log10_chance:
            best = Weighed(place, tolerance, len(found), len(chance), log10, log10_tried, fixed)
    return best


def _improved(
    field: StarField, stars: CatalogueStars, seen: Float64, place: Place, tolerance: float
) -> tuple[Place, Int64, Float64] | None:
    """The place after a fit to the stars that meet; numbers of those that meet then; chance of every star to do so."""
    for last in (False, True):
        near, plane, pixels = in_frame(field, stars, seen, place)
        many = min(len(near), len(field.x), MOST)
        bright = field.points[: many + many // 2 + 3]
        if many < 2:
            return None
        known, star = pairs_within(pixels[:many], bright, tolerance)
        if last:
            area = float(field.nx * field.ny)
            return place, known, coincidence(pixels[:many], bright, tolerance, area)
        if len(known) < 3:
            return None
        place = _fitted(bright[star], plane[known], place)
    return None


def _fitted(points: Float64, plane: Float64, place: Place) -> Place:
    """The similarity through pairs of stars, as a place whose middle is the frame's again."""
    matrix = maps.similarity(points, plane, np.ones(len(points)), mirrored=place.mirrored)
    ra, dec = from_gnomonic(matrix[0, 2], matrix[1, 2], place.ra_deg, place.dec_deg)
    return Place(float(ra), float(dec), matrix[:, :2])
