"""Catalogue stars of a finished stack: the light of each in every plane, and what the catalogue says of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from fourlight.core.cfa import PLANES
from fourlight.core.starcolour import star_light
from fourlight.core.stardiscs import known_discs
from fourlight.frames import StarList
from fourlight.sky.catalogue import cone, magnitude_errors
from fourlight.sky.plate import PlateSolution
from fourlight.stages.region_samples import StackReader
from fourlight.stages.star_choice import full_on_stack
from fourlight.stages.star_share import APERTURE, WHOLE, aperture_share

__all__ = ["StarFluxes", "parts_of", "planes_of", "star_fluxes"]

Float64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]
Int64 = npt.NDArray[np.int64]

BRIGHT = 60
"""Brightest lone stars that tell how much of it the small aperture holds."""
BESIDE = 0.03
"""Light of other stars near a star, over its own, from which on it is not alone."""
OFF_PX = 1.5
"""How far a star may lie from where the solution puts it."""


@dataclass(frozen=True, slots=True)
class StarFluxes:
    """Stars of the stack that are in the catalogue, brightest first; all arrays share their first axis."""

    planes: tuple[str, ...]
    x: Float64
    y: Float64
    """Where the stack has them, pixels."""
    flux: Float64
    """(n, 4) all light of the star in each plane, electrons (or ADU) in the exposure of the reference light."""
    flux_error: Float64
    """(n, 4) one sigma, by VAR of the stack."""
    share_covariance: Float64
    """(4, 4) of the relative errors that all fluxes of a plane share, and planes in part: those of the aperture."""
    v_mag: Float64
    v_error: Float64
    b_v: Float64
    """NaN where it is not known."""
    b_v_error: Float64
    row: Int64
    """Rows of the catalogue."""
    full: Bool
    """Whether a sample is full in some frame, or nearly so."""
    alone: Bool
    """Whether no other light falls in the aperture."""

    def __len__(self) -> int:
        return len(self.x)

    @property
    def good(self) -> Bool:
        """(n,) stars whose colours can be believed: alone, not full, whole on the stack, B-V known."""
        known = np.isfinite(self.flux_error).all(axis=1) & np.isfinite(self.b_v)
        return np.asarray(known & self.alone & ~self.full & (self.flux > 0).any(axis=1))

    @property
    def words(self) -> str:
        """How many there are, and how many of them tell nothing."""
        full, beside = int(self.full.sum()), int((~self.alone & ~self.full).sum())
        return f"{len(self)} catalogue stars found, {full} of them full and {beside} with others beside them"

    def chosen(self, index: Bool | Int64) -> StarFluxes:
        """Some of them."""
        names = [
            "x",
            "y",
            "flux",
            "flux_error",
            "v_mag",
            "v_error",
            "b_v",
            "b_v_error",
            "row",
            "full",
            "alone",
        ]
        return replace(self, **{name: getattr(self, name)[index] for name in names})


def star_fluxes(
    layers: StackReader, stars: StarList, solution: PlateSolution, widths: Float64,
    sky: Float64, room: Float64,
) -> StarFluxes:  # fmt: skip
    """Find the catalogue stars of a stack and measure them.

    Parameters
    ----------
    layers : StackReader
        Of the stack.
    stars : StarList
        At their places on the stack.
    solution : PlateSolution
    widths : (4,) float64
        FWHM of stars in each plane, pixels.
    sky : (4,) float64
        Level of the empty sky.
    room : (4,) float64
        From there to the level of full samples, see `fourlight.stages.star_choice.full_on_stack`.
    """
    fwhm_px = float(widths.max())
    reach = 0.55 * np.hypot(solution.nx, solution.ny) * solution.scale_arcsec / 3600
    listed = cone(solution.ra_deg, solution.dec_deg, reach, epoch=solution.epoch)
    x, y = solution.pixel(listed.ra_deg, listed.dec_deg)
    inside = np.flatnonzero((x > 0) & (x < solution.nx - 1) & (y > 0) & (y < solution.ny - 1))
    mine, theirs = _same(np.column_stack([x, y])[inside], stars, fwhm_px)
    listed = listed.chosen(inside[theirs])
    sx, sy = stars.x[mine], stars.y[mine]
    values = [layers.read(plane, "value") for plane in PLANES]
    shape = (values[0].shape[0], values[0].shape[1])
    variances = [layers.read(plane, "variance") for plane in PLANES]
    lit = known_discs(shape, stars.x, stars.y, fwhm_px)
    inner = star_light(values, variances, sx, sy, APERTURE * fwhm_px, lit)
    burnt = full_on_stack(inner.peak - sky, room, stars.saturated[mine])
    alone = _alone(stars, mine, APERTURE * fwhm_px + fwhm_px) & _single(x, y, inside[theirs], fwhm_px)
    lonely = _alone(stars, mine, (WHOLE + 0.5) * fwhm_px)
    fit = alone & ~burnt & np.isfinite(inner.flux).all(axis=1)
    lone = np.flatnonzero(fit & lonely if (fit & lonely).any() else fit)[:BRIGHT]
    share, share_covariance = aperture_share(values, variances, sx[lone], sy[lone], widths, lit)
    v_error, b_v_error = magnitude_errors(listed.v_mag, np.nan_to_num(listed.b_v, nan=1.0))
    return StarFluxes(
        PLANES, sx, sy, inner.flux / share, inner.error / share, share_covariance,
        listed.v_mag, v_error, listed.b_v, b_v_error, listed.row, burnt, alone,
    )  # fmt: skip


def _same(places: Float64, stars: StarList, fwhm_px: float) -> tuple[Int64, Int64]:
    """Numbers of stars of the picture, and of the catalogue places on them, brightest first."""
    if len(stars) == 0 or len(places) == 0:
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    seen = np.column_stack([stars.x, stars.y])
    far, star = cKDTree(seen).query(places, distance_upper_bound=max(OFF_PX, 0.7 * fwhm_px))
    # of two catalogue stars on one star of the picture the brighter, which comes first, has it
    first = np.unique(np.where(np.isfinite(far), star, -1), return_index=True)[1]
    place = np.sort(first[np.isfinite(far[first])])
    return star[place].astype(np.int64), place.astype(np.int64)


def _alone(stars: StarList, chosen: Int64, reach: float) -> Bool:
    """(n,) whether other stars of the picture within reach have little light."""
    light = np.maximum(stars.flux.sum(axis=1), 1e-30)
    place = np.column_stack([stars.x, stars.y])
    near = cKDTree(place).query_ball_point(place[chosen], reach)
    beside = [light[[k for k in others if k != own]].sum() for own, others in zip(chosen, near, strict=True)]
    return np.asarray(np.array(beside) < BESIDE * light[chosen])


def _single(x: Float64, y: Float64, own: Int64, fwhm_px: float) -> Bool:
    """(n,) whether the catalogue has no second star on the same one of the picture."""
    known = np.isfinite(x) & np.isfinite(y)
    place = np.column_stack([x, y])[known]
    near = cKDTree(place).query_ball_point(
        np.column_stack([x, y])[own], APERTURE * fwhm_px, return_length=True
    )
    return np.asarray(near == 1)


def parts_of(names: Sequence[str], planes: Sequence[str]) -> Float64:
    """(c, p) part of each plane in each of the names, of which ``G`` is the mean of both greens.

    >>> parts_of(("R", "G"), PLANES).tolist()
    [[1.0, 0.0, 0.0, 0.0], [0.0, 0.5, 0.5, 0.0]]
    """
    return np.array([
        [0.5 if name == "G" and plane in ("G1", "G2") else float(name == plane) for plane in planes]
        for name in names
    ])  # fmt: skip


def planes_of(fluxes: StarFluxes, names: Sequence[str]) -> tuple[Float64, Float64]:
    """(n, c) fluxes of planes, and of ``G`` as the mean of both greens, with their errors.

    >>> one = np.ones(1)
    >>> some = StarFluxes(PLANES, one, one, np.array([[4.0, 2.0, 4.0, 1.0]]), np.ones((1, 4)), np.zeros((4, 4)),
    ...                   one, one, one, one, one.astype(int), one < 0, one > 0)
    >>> planes_of(some, ("R", "G"))[0].tolist()
    [[4.0, 3.0]]
    """
    mix = parts_of(names, fluxes.planes)
    return fluxes.flux @ mix.T, np.sqrt(fluxes.flux_error**2 @ (mix**2).T)
