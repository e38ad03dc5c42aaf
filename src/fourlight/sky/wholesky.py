"""A plate solution without a place: figures of four bright stars, looked up among those of the whole sky.

The stars of the index are spread evenly, so many to the size of the frame, which the scale tells.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from fourlight.core import maps
from fourlight.core.fourstars import described, figures, mirrored
from fourlight.core.tangent import from_gnomonic, gnomonic
from fourlight.sky.catalogue import CatalogueStars, all_stars, cone, directions
from fourlight.sky.weighing import TOLERANCE, Place, StarField, Weighed, weighed

__all__ = ["SMALLEST_DEG2", "weighed_anywhere"]

Float64 = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]

SKY_DEG2 = 41252.96
SMALLEST_DEG2 = 0.25
"""Area that holds six stars of the catalogue, on average: on a whole sky smaller pictures are not told from chance."""
IN_FRAME = 14
"""Stars of the index in a frame, on average."""
CELLS = 4.0
"""Cells in a frame from which the brightest are taken."""
NEIGHBOURS = ((150_000, 6), (400_000, 5), (10_000_000, 4))
"""Nearest neighbours with which stars of the index form figures, by how many there are at most."""
DEPTHS = (9, 14, 20, 28, 40)
"""Brightest stars of the picture that form figures with their neighbours."""
SPREAD = (2, 4, 7)
"""Brightest stars of each sixth of the picture that form figures as well."""
LIKE = 0.012
"""Largest distance of two descriptions that are alike."""
FOUND_AGAIN = 30
"""Brightest stars of the picture that say which places are looked at closely."""
CLOSELY = 200


@dataclass(frozen=True, slots=True)
class _Index:
    stars: CatalogueStars
    seen: Float64
    tree: cKDTree
    """Of the directions."""
    numbers: cKDTree
    corners: Int64
    """(n, 4) stars of every figure, in the order of its description."""
    size_deg: Float64


def weighed_anywhere(field: StarField, epoch: float) -> Iterator[tuple[CatalogueStars, Weighed]]:
    """Places on the sky where the picture may lie, with the catalogue around them, the likeliest first."""
    # no index is finer than the catalogue
    area = max(field.area_deg2, 2 * SMALLEST_DEG2)
    index = _index(round(np.log(area) / np.log(1.5)), round(epoch))
    found, tried = _places(field, index)
    for place in found:
        around = 0.6 * field.diagonal_deg * field.spread
        stars = cone(place.ra_deg, place.dec_deg, around, epoch=epoch)
        now = weighed(field, stars, stars.direction, place, 4, np.log10(max(tried, 1)))
        if now is not None:
            yield stars, now


@lru_cache(maxsize=2)
def _index(level: int, year: int) -> _Index:
    """Figures of the sky for frames of 1.5^level square degrees."""
    area = 1.5**level
    stars = _even(all_stars(epoch=float(year)), area)
    seen = stars.direction
    neighbours = next(k for most, k in NEIGHBOURS if len(stars) <= most)
    corners, numbers, sizes = [], [], []
    for part in np.array_split(figures(seen, neighbours), 16):
        code, order, size = described(_flat(seen[part]))
        corners.append(np.take_along_axis(part, order, axis=1).astype(np.int32))
        numbers.append(code.astype(np.float32))
        sizes.append(np.degrees(size))
    tree = cKDTree(np.concatenate(numbers), leafsize=32, balanced_tree=False, compact_nodes=False)
    return _Index(stars, seen, cKDTree(seen), tree, np.concatenate(corners), np.concatenate(sizes))


def _even(stars: CatalogueStars, area_deg2: float) -> CatalogueStars:
    """The brightest stars of every cell of the sky, so that frames of an area hold `IN_FRAME` of them."""
    side = np.sqrt(area_deg2 / CELLS)
    band = ((stars.dec_deg + 90) / side).astype(np.int64)
    many = np.maximum(np.cos(np.radians((band + 0.5) * side - 90)) * 360 / side, 1).astype(np.int64)
    cell = band * int(720 / side + 2) + (stars.ra_deg / 360 * many).astype(np.int64)
    order = np.argsort(cell, kind="stable")
    first = np.concatenate([[True], np.diff(cell[order]) > 0])
    start = np.maximum.accumulate(np.where(first, np.arange(len(order)), 0))
    rank = np.arange(len(order)) - start
    return stars.chosen(np.sort(order[rank < round(IN_FRAME / CELLS)]))


def _flat(corners: Float64) -> Float64:
    """Directions (n, 4, 3) as places (n, 4, 2) on the plane that touches the sky amid each figure, east and north."""
    ahead = corners.sum(axis=1)
    ahead /= np.linalg.norm(ahead, axis=1, keepdims=True)
    east = np.column_stack([-ahead[:, 1], ahead[:, 0], np.zeros(len(ahead))])
    east /= np.maximum(np.linalg.norm(east, axis=1, keepdims=True), 1e-12)
    north = np.cross(ahead, east)
    depth = np.einsum("nkd,nd->nk", corners, ahead)
    return np.stack([np.einsum("nkd,nd->nk", corners, axis) / depth for axis in (east, north)], axis=-1)


def _places(field: StarField, index: _Index) -> tuple[list[Place], int]:
    """Places where figures are alike, those first that most bright stars agree with, and how many there were."""
    sets = [np.arange(depth) for depth in DEPTHS if depth <= len(field.x)] or [np.arange(len(field.x))]
    sets += [_spread(field, most) for most in SPREAD]
    quads = np.unique(np.concatenate([one[figures(field.points[one], 7)] for one in sets]), axis=0)
    if len(quads) == 0:
        return [], 0
    numbers, order, size = described(field.points[quads])
    quads = np.take_along_axis(quads, order, axis=1)
    wide = size > 0.12 * field.diagonal_px
    numbers, quads, size = numbers[wide], quads[wide], size[wide]
    found: list[Place] = []
    # The sky from inside has its east to the left: mirrored or not, one of both is the picture's.
    for flip in (False, True):
        for k, alike in enumerate(
            index.numbers.query_ball_point(mirrored(numbers) if flip else numbers, LIKE)
        ):
            rows = np.array(alike, dtype=np.int64)
            scale = 3600 * index.size_deg[rows] / size[k] / field.scale_arcsec
            rows = rows[(scale < field.spread) & (scale > 1 / field.spread)]
            found += [_place(field, index, quads[k], row, flip) for row in rows]
    agreeing = _agreeing(field, index, found)
    best = np.argsort(-agreeing, kind="stable")[:CLOSELY]
    return [found[k] for k in best], len(found)


def _spread(field: StarField, most: int) -> Int64:
    """The brightest stars of each sixth of the frame, as the index has them of each cell of the sky."""
    column = np.clip((field.x / field.nx + 0.5) * 3, 0, 2).astype(np.int64)
    part = column + 3 * (field.y > 0)
    return np.sort(np.concatenate([np.flatnonzero(part == k)[:most] for k in range(6)]))


def _place(field: StarField, index: _Index, quad: Int64, row: int, flip: bool) -> Place:
    """Where the frame lies if four of its stars are a figure of the sky."""
    corners = index.corners[row]
    ra, dec = index.stars.ra_deg[corners], index.stars.dec_deg[corners]
    plane = np.column_stack(gnomonic(ra, dec, ra[0], dec[0]))
    matrix = maps.similarity(field.points[quad], plane, np.ones(4), mirrored=flip)
    middle = [float(c) for c in from_gnomonic(matrix[0, 2], matrix[1, 2], ra[0], dec[0])]
    # North turns on the way from a corner of the figure to the middle of the frame.
    xi, eta = gnomonic(ra, dec, middle[0], middle[1])
    again = maps.similarity(field.points[quad], np.column_stack([xi, eta]), np.ones(4), mirrored=flip)
    ra0, dec0 = from_gnomonic(again[0, 2], again[1, 2], middle[0], middle[1])
    return Place(float(ra0), float(dec0), again[:, :2])


def _agreeing(field: StarField, index: _Index, found: list[Place]) -> Int64:
    """How many of the picture's brightest stars fall on stars of the index, place by place."""
    bright = field.points[:FOUND_AGAIN]
    if not found:
        return np.empty(0, dtype=np.int64)
    planes = [place.linear @ bright.T for place in found]
    seen = [
        directions(*from_gnomonic(xi, eta, place.ra_deg, place.dec_deg))
        for place, (xi, eta) in zip(found, planes, strict=True)
    ]
    reach = 2 * np.sin(np.radians(TOLERANCE * field.diagonal_deg) / 2)
    distance, _ = index.tree.query(np.concatenate(seen), distance_upper_bound=reach)
    return np.asarray(np.isfinite(distance).reshape(len(found), -1).sum(axis=1))
