"""Flaws that sharpening may leave: notches between close stars, noise beside bright ones, mottle in the dark.

All are told against the true light with its profile exchanged as planned, without noise: what a perfect job would show.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from finish_measures import noise_of
from finish_sets import COLOURS, Planes, Set
from scipy import ndimage, spatial

from fourlight.core import refocus
from fourlight.core.tiles import SIDE, tiles
from fourlight.stages.canvas import Canvas
from fourlight.stages.left_alone import left_alone
from fourlight.stages.sharpen_plan import Plan
from fourlight.stages.star_light import star_light

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]

CLEAR_WIDTHS = 8.0
"""Distance from full pixels: nearer, sharpening leaves a stack as it is, in part or in all."""


@dataclass(frozen=True, slots=True)
class Flaws:
    """Of one colour."""

    notch: float
    """Lowest mean of 3 x 3 pixels between close stars, less what should be there, over its noise and 2 % of that."""
    beside: float
    """Error of dark pixels beside bright stars over the noise of a pixel."""
    mottle: float
    """Error of 4 to 16 px in size, in dark places: rms in the worst hundredth of places over the noise of a pixel."""


def exchanged(known: Set, plan: Plan) -> Planes:
    """The true light with the profile of the plan exchanged, where sharpening does it."""
    canvas = Canvas()
    stars = star_light(known.planes, known.variances, plan.profiles, known.saturation, canvas)
    used = 1 - left_alone(
        known.planes, known.variances, known.saturation, max(plan.widths.values()), canvas, stars
    )
    return {c: known.truth[c] + used * _change(known.truth[c], plan, c) for c in COLOURS}


def _change(image: Float32, plan: Plan, c: str) -> Float32:
    profile = plan.profiles[c]
    target = refocus.Target(plan.target_px, profile.wings).spectrum(SIDE)
    out = np.zeros_like(image)
    for tile in tiles(image.shape):
        stars = refocus.spectrum(profile, *tile.middle, SIDE)
        by = refocus.added(stars, target, plan.finest, profile.fwhm_px())
        here = tile.cut(image)
        out[tile.place()[0]] += refocus.filtered(here - np.median(here), by)[tile.place()[1]] * tile.weight()
    return out


def flaws(known: Set, c: str, image: Float32, wanted: Planes) -> Flaws:
    """Flaws of a colour against what it should show, clear of full stars."""
    noise, width = noise_of(known, c), float(np.median(known.stars.fwhm_px))
    full = np.any([known.truth[k] > known.saturation for k in COLOURS], axis=0)
    clear = np.isfinite(image) & (ndimage.distance_transform_edt(~full) > CLEAR_WIDTHS * width)
    lit = (known.truth[c] - known.starless[c]) / noise
    near = ndimage.maximum_filter(lit, 21)
    off = np.nan_to_num(image - wanted[c]).astype(np.float64)
    beside = clear & (lit < 2) & (near > 100)
    dark = clear & (lit < 0.1) & (near < 30)
    return Flaws(
        _notch(known, c, off, wanted[c] - known.starless[c], clear, width),
        float(off[beside].std() / noise),
        _mottle(off, dark) / noise,
    )


def _notch(known: Set, c: str, off: Float64, light: Float32, clear: Bool, width: float) -> float:
    """On the line through each pair of bright stars from 0.9 to 3.2 widths apart, but for their cores."""
    error = np.sqrt(ndimage.uniform_filter(np.nan_to_num(known.variances[c]).astype(np.float64), 3) / 9)
    relative = ndimage.uniform_filter(off, 3) / np.maximum(np.hypot(error, 0.02 * light), 1e-30)
    tops = (light == ndimage.maximum_filter(light, 3)) & (light > 30 * noise_of(known, c)) & clear
    places = np.argwhere(tops)
    lowest = [0.0]
    for a, b in spatial.cKDTree(places).query_pairs(3.2 * width):
        line = places[a] + np.linspace(-0.35, 1.35, 35)[:, None] * (places[b] - places[a])
        apart = np.min([np.hypot(*(line - places[k]).T) for k in (a, b)], axis=0)
        rows, columns = np.rint(line[apart > 0.45 * width]).astype(int).T
        inside = (rows >= 0) & (columns >= 0) & (rows < off.shape[0]) & (columns < off.shape[1])
        if np.hypot(*(places[a] - places[b])) > 0.9 * width and inside.any():
            lowest.append(float(relative[rows[inside], columns[inside]].min()))
    return min(lowest)


def _mottle(off: Float64, dark: Bool) -> float:
    band = ndimage.gaussian_filter(off, 1.5) - ndimage.gaussian_filter(off, 5)
    share = ndimage.uniform_filter(dark.astype(np.float64), 17)
    power = np.maximum(ndimage.uniform_filter(np.where(dark, band**2, 0), 17), 0)
    enough = dark & (share > 0.3)
    return float(np.sqrt(np.quantile(power[enough] / share[enough], 0.99))) if enough.any() else float("nan")
