"""The plate solution of a star list: near a place that is known roughly, or anywhere on the sky."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
import numpy.typing as npt

from fourlight.core.placements import Field, placements
from fourlight.core.tangent import from_stereographic, gnomonic, stereographic
from fourlight.sky.catalogue import CatalogueStars, cone
from fourlight.sky.fitting import settled
from fourlight.sky.plate import PlateSolution, Unsolved
from fourlight.sky.weighing import LIMIT, TOLERANCE, Place, StarField, Weighed, log10_spent, weighed
from fourlight.sky.wholesky import SMALLEST_DEG2, weighed_anywhere

__all__ = ["solve", "star_field"]

Float64 = npt.NDArray[np.float64]

FEWEST = 5
"""Stars that a picture must have."""
LEAST_EXPECTED = 0.1
"""Catalogue stars in the frame, on average of its surroundings, that a search needs: a cluster may hold fifty times as
many, and places to look at grow with the square of the field around over the frame."""
SCALE_SPREAD = 1.12
TYPICAL = 24
"""Catalogue stars in the frame, on average, that are tried as pairs: the brightest."""
PAIRED = 14
"""Brightest stars of the picture that are tried as pairs."""
APART = 0.2
"""Shortest pair over the shorter side of the frame."""
ROUNDS = (0.3, 1.0)
"""Shares of the reach that are searched, one after the other."""


def star_field(
    x: Float64, y: Float64, shape: tuple[int, int], scale_arcsec: float, spread: float = SCALE_SPREAD
) -> StarField:
    """Stars of a picture, brightest first, with pixels counted from its middle."""
    ny, nx = shape
    return StarField(x - (nx - 1) / 2, y - (ny - 1) / 2, ny, nx, scale_arcsec, spread)


def solve(
    field: StarField,
    hint: tuple[float, float] | None,
    *,
    epoch: float = 2000.0,
    reach_deg: float | None = None,
) -> PlateSolution | Unsolved:
    """The plate solution of a picture, if its stars prove one.

    Parameters
    ----------
    field : StarField
        At least `FEWEST` stars.
    hint : (float, float) or None
        Right ascension and declination near the middle, degrees; None: anywhere on the sky.
    epoch : float
        Julian year of the picture.
    reach_deg : float or None
        How far the middle may be from the hint; None: the diagonal of the frame, or 3 degrees where that is more.

    Notes
    -----
    A place is accepted where the chance of a wrong one, over all places tried, is below 10^`LIMIT`.
    """
    if len(field.x) < FEWEST:
        found = f"{len(field.x)} star{'s' * (len(field.x) != 1)} found"
        return Unsolved(f"{found}; {FEWEST} at least are needed to solve a picture")
    if hint is None and field.area_deg2 < SMALLEST_DEG2:
        return Unsolved(
            f"pictures as small as {60 * np.sqrt(field.area_deg2):.0f} arcmin are not searched for on the whole sky"
        )
    if hint is None:
        return _proven(field, weighed_anywhere(field, epoch), "on the sky")
    reach = reach_deg if reach_deg is not None else max(field.diagonal_deg, 3.0)
    radius = reach + 0.6 * field.diagonal_deg * field.spread
    region = cone(*hint, radius, epoch=epoch)
    stars_expected = len(region) * field.area_deg2 / (np.pi * radius**2)
    if stars_expected < LEAST_EXPECTED:
        size = 60 * np.sqrt(field.area_deg2)
        return Unsolved(
            f"the picture is {size:.2g} arcmin wide, in which {stars_expected:.1g} catalogue stars are to be expected; "
            "see that its scale is right"
        )
    near = _weighed_near(field, region, hint, reach)
    return _proven(
        field, ((region, found) for found in near), f"within {reach:.1f} degrees of the place given"
    )


def _proven(
    field: StarField, places: Iterable[tuple[CatalogueStars, Weighed]], where: str
) -> PlateSolution | Unsolved:
    """The solution of the first place that cannot be chance, or why there is none."""
    best: Weighed | None = None
    for stars, found in places:
        if best is None or found.log10_chance < best.log10_chance:
            best = found
        solution = settled(field, stars, found) if found.log10_chance < LIMIT else None
        if solution is not None:
            return solution
    if best is None:
        return Unsolved(f"no place {where} has enough of the picture's stars")
    return Unsolved(
        f"the best place {where} has {best.found} of {best.expected} catalogue stars, which may be chance",
        best.log10_chance,
    )


def _weighed_near(
    field: StarField, region: CatalogueStars, hint: tuple[float, float], reach: float
) -> Iterator[Weighed]:
    """Places around the hint, the nearer ones first."""
    seen, tried = region.direction, 0
    plane = np.column_stack(stereographic(region.ra_deg, region.dec_deg, *hint))
    distance = np.hypot(*plane.T)
    for share in ROUNDS:
        radius = share * reach + 0.55 * field.diagonal_deg * field.spread
        within = np.flatnonzero(distance <= radius)
        points = plane[within[: _many(field, len(within), radius)]]
        if len(points) < 2:
            continue
        known = Field(points, TOLERANCE * field.diagonal_deg)
        stars = field.points[: TYPICAL + TYPICAL // 4] * field.scale_arcsec / 3600
        least = known.least_hits(len(stars) - 2, _expected(field, points, radius))
        for first, second in _pairs(field):
            matrices, _, more = placements(stars, first, second, known, field.spread, least)
            tried += more
            for matrix in matrices:
                place = _place(matrix, field, hint)
                found = weighed(field, region, seen, place, 2, log10_spent(tried))
                if found is not None:
                    yield found


def _expected(field: StarField, points: Float64, radius: float) -> float:
    """About how many pairs of the region are as long as a pair of the picture: half its width, as long as it may be."""
    ring = np.pi * (field.diagonal_deg / 2) ** 2 * (field.spread**2 - field.spread**-2)
    return float(max(2 * len(points) ** 2 * ring / (np.pi * radius**2), 1.0))


def _many(field: StarField, stars: int, radius: float) -> int:
    """How many of a region's brightest stars make as many in the frame as are wanted, or as it has."""
    wanted = min(TYPICAL, len(field.x)) * 1.25
    return int(wanted * np.pi * radius**2 / field.area_deg2) + 1 if stars else 0


def _pairs(field: StarField) -> list[tuple[int, int]]:
    """Pairs of bright stars that are far enough from each other, brightest first."""
    short = APART * min(field.nx, field.ny)
    many = min(PAIRED, len(field.x))
    return sorted(
        (
            (i, j)
            for i in range(many)
            for j in range(i + 1, many)
            if np.hypot(field.x[i] - field.x[j], field.y[i] - field.y[j]) > short
        ),
        key=sum,
    )


def _place(matrix: Float64, field: StarField, hint: tuple[float, float]) -> Place:
    """A similarity to the stereographic plane about the hint, as a place of the frame."""
    step = 0.05 * field.diagonal_px
    u, v = np.array([0.0, step, 0.0, -step, 0.0]), np.array([0.0, 0.0, step, 0.0, -step])
    scale = field.scale_arcsec / 3600
    x, y = (row[0] * u * scale + row[1] * v * scale + row[2] for row in matrix)
    ra, dec = from_stereographic(x, y, *hint)
    xi, eta = gnomonic(ra, dec, float(ra[0]), float(dec[0]))
    along = np.array([[xi[1] - xi[3], xi[2] - xi[4]], [eta[1] - eta[3], eta[2] - eta[4]]]) / (2 * step)
    return Place(float(ra[0]), float(dec[0]), along)
