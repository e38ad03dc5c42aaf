"""A stack as two layers that add up to it: its stars, and everything else.

Points of light are found on all channels, fitted with the measured profile and taken off. What is wider than a star
stays where it is. Where the profile is not good enough for how bright a star is, in full cores and steep flanks, the
rest is filled from its surroundings instead.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial

import numpy as np
import numpy.typing as npt
from scipy import ndimage
from scipy.spatial import cKDTree

from fourlight.core import refocus
from fourlight.core.cfa import COLOURS
from fourlight.core.fieldprofile import FieldProfile
from fourlight.core.fullcores import full_spots
from fourlight.engine import in_order
from fourlight.frames import StarList
from fourlight.stages.canvas import Canvas
from fourlight.stages.field_profiles import Profiles
from fourlight.stages.star_channel import StarChannel
from fourlight.stages.star_search import apart_from, points

__all__ = ["StarLayers", "split_stars"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]
Planes = Mapping[str, Float32]

ROUNDS, SEARCHES, ENOUGH = 3, 4, 0.003
"""Times that all stars are fitted in the end; times that stars are searched for, and share of new ones that ends it."""
NEW, KNOT = 0.6, 2.5
"""Distance over the width of stars from a star, and from a knot, at which another point may be a star."""
BESIDE = refocus.FAR
"""Distance over the width of stars from full pixels within which the light of their stars spoils fits of others: as far
as sharpening keeps away from them."""
FITS = 4.0
"""Chi-square per pixel up to which a wider spot fits."""


@dataclass(frozen=True, slots=True)
class StarLayers:
    """Two layers that add up to the stack."""

    stack: Planes
    starless: dict[str, Float32]
    """R, G, B, linear; NaN where the stack is."""
    x: Float64
    """(n,) places of the stars that were taken off, pixels."""
    y: Float64
    mended: Bool
    """(ny, nx) where the rest was filled from its surroundings in any channel."""
    notes: tuple[str, ...]

    @property
    def stars(self) -> dict[str, Float32]:
        """R, G, B: the light of stars, the stack less what has none."""
        return {c: np.subtract(self.stack[c], rest, dtype=np.float32) for c, rest in self.starless.items()}


def split_stars(
    planes: Planes,
    variances: Planes,
    stars: StarList,
    *,
    full: float | None = None,
    canvas: Canvas | None = None,
    profiles: Profiles | None = None,
) -> StarLayers:
    """Stars and everything else, apart.

    Parameters
    ----------
    planes : mapping of R, G, B to (ny, nx) float32
        Linear; NaN where nothing covers. They are not changed.
    variances : the same
        Variance per pixel.
    stars : StarList
        On the pixels of the stack; the profile is measured on them. The stars to take off are searched for.
    full : float or None
        Level of pixels that may hold full samples; None: told from the stars of the list that are full.
    canvas : Canvas, optional
    profiles : Profiles, optional
        Of these planes, where they are known; ``full`` is that of them.
    """
    canvas = canvas or Canvas()
    profiles = profiles or Profiles(planes, variances, stars, full)
    known = profiles.stood_in
    if known is None:
        return _all_rest(planes)
    taken = [c for c in COLOURS if c in known]
    usual = next(known[c] for c in "GRB" if c in known)
    hot = full_spots([planes[c] for c in taken], profiles.full)
    work = [StarChannel(planes[c], variances[c], known[c], hot, canvas) for c in taken]
    found, knots = _found(taken, work, usual, canvas)
    list(in_order(partial(StarChannel.fit, found=found, rounds=ROUNDS), work, canvas.threads))
    real = _real(work, _untold(found, hot, usual))
    list(in_order(partial(StarChannel.keep, real=real), work, canvas.threads))
    spots = np.zeros(planes[taken[0]].shape, dtype=bool)
    for channel in work:  # filled in one channel alone, it would be a spot of colour
        spots |= channel.hidden(canvas)
    rest = dict(planes) | {c: channel.rest(canvas, spots) for c, channel in zip(taken, work, strict=True)}
    place = np.concatenate([found[real, :2], max((channel.full_stars for channel in work), key=len)])
    return StarLayers(
        planes, rest, place[:, 0], place[:, 1], spots,
        (_told(len(place), knots + int((~real).sum()), float(spots.mean())),),
    )  # fmt: skip


def _found(
    taken: list[str], work: list[StarChannel], profile: FieldProfile, canvas: Canvas
) -> tuple[Float64, int]:
    """Points on all channels, and those that show once the brighter ones are off; knots are put back and left alone."""
    found, knots = np.zeros((0, 3)), np.zeros((0, 3))
    list(in_order(StarChannel.fit_cores, work, canvas.threads))
    for _ in range(SEARCHES):
        left = {c: channel.left for c, channel in zip(taken, work, strict=True)}
        variances = {c: channel.variance for c, channel in zip(taken, work, strict=True)}
        more = _clear_of(points(left, variances, profile.fwhm_px(), canvas), work, profile)
        more = apart_from(found, more, NEW * profile.fwhm_px())
        more = apart_from(knots, more, KNOT * profile.fwhm_px())
        if len(more) <= ENOUGH * len(found):
            break
        found = np.concatenate([found, more])
        list(in_order(partial(StarChannel.fit, found=found, rounds=2), work, canvas.threads))
        list(in_order(StarChannel.fit_cores, work, canvas.threads))
        real = _real(work, _untold(found, work[0].full, profile))
        list(in_order(partial(StarChannel.keep, real=real), work, canvas.threads))
        found, knots = found[real], np.concatenate([knots, found[~real]])
    return found, len(knots)


def _all_rest(planes: Planes) -> StarLayers:
    rest = {c: planes[c] for c in COLOURS}
    nothing = np.zeros(0)
    return StarLayers(
        planes, rest, nothing, nothing,
        np.zeros(rest["G"].shape, dtype=bool),
        ("No stars were taken off: too few that are bright, not full and alone tell how light is spread.",),
    )  # fmt: skip


def _told(count: int, knots: int, share: float) -> str:
    wider = f" {knots} points are wider than stars and stay with the rest." if knots else ""
    return f"{count} stars were taken off; {100 * share:.1f} % of the field was filled from its surroundings.{wider}"


def _clear_of(found: Float64, work: list[StarChannel], profile: FieldProfile) -> Float64:
    """Points that are not in full cores."""
    rows, columns = (np.rint(found[:, k]).astype(int) for k in (1, 0))
    near = ndimage.binary_dilation(work[0].full, iterations=max(1, round(0.4 * profile.fwhm_px())))
    return np.asarray(found[~near[rows, columns]])


def _untold(found: Float64, hot: Bool, profile: FieldProfile) -> Bool:
    """Points of which nobody can say how wide they are: those that the edge cuts, and those beside full cores."""
    (ny, nx), width = hot.shape, profile.fwhm_px()
    near = np.minimum.reduce([found[:, 0], found[:, 1], nx - 1 - found[:, 0], ny - 1 - found[:, 1]])
    cut = near < width
    if hot.any() and len(found):
        apart, _ = cKDTree(np.argwhere(hot)).query(found[:, [1, 0]], distance_upper_bound=BESIDE * width)
        cut |= np.isfinite(apart)
    return np.asarray(cut)


def _real(work: list[StarChannel], untold: Bool) -> Bool:
    """Which points are stars, by all channels together: not those that a wider spot fits, and fits better.

    Neither fits stars that touch; these are stars all the same, and so is what shines of which nobody can tell.
    """
    as_star, as_spot = np.sum([channel.squares for channel in work], axis=0).T
    height = np.sum([channel.fitted[:, 2] / channel.noise for channel in work], axis=0)
    pixels = np.sum([np.pi * channel.radius**2 for channel in work])
    return np.asarray((untold | (as_star <= as_spot) | (as_spot > FITS * pixels)) & (height > 0))
