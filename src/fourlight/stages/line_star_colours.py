"""Colours of stars in pictures of lines: those of a stack without narrow filter, since lines tell none."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from fourlight.core import gaps, starcolour, stardiscs, starlet
from fourlight.frames import StarList
from fourlight.stages.balance import White
from fourlight.stages.canvas import Canvas
from fourlight.stages.display import Field
from fourlight.stages.line_kinds import SAMPLES
from fourlight.stages.line_maps import LineMaps
from fourlight.stages.showing import stars_on

__all__ = ["recoloured", "star_discs", "star_hues", "star_pixels", "with_clean_stars"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]

SURE = 10.0
"""Light over its error in every channel from which a star has a colour; others are white."""
STRONGEST = 4.0
"""Ratio of a channel to the mean of all that counts at most."""
DISC = 0.75
"""Radius of the discs of stars, in that within which a star stands out of the sky."""
PEAK = 8.0
"""Continuum of a pixel above that around it, in its standard deviations, from which on it is that of a star."""
MOST_STARS = 0.5
"""Part of the picture that discs of stars may cover for their light to be told from what lies under them."""


def star_hues(
    values: list[Float32], variances: list[Float32], stars: StarList, white: White | None
) -> Float64:
    """(n, 3) light of stars in R, G and B over their mean, white being 1, 1, 1; that where a star tells no colour.

    Parameters
    ----------
    values, variances : three (ny, nx) float32
        Of a stack without narrow filter, sky off, at the pixels that the stars have their places on.
    stars : StarList
    white : White or None
        What catalogue stars of that stack say of white; None: its typical star is white.
    """
    light = starcolour.colour_light(values, variances, stars.x, stars.y, stars.usual_fwhm_px)
    noise = np.array([float(np.nanmedian(variance)) for variance in variances])
    factors = white.gains[0] if white else starcolour.white_balance(light, ~stars.saturated, noise).factors
    flux = light.flux * factors
    with np.errstate(invalid="ignore"):
        told = (light.flux > SURE * light.error).all(axis=1) & ~stars.saturated
    hues = np.ones((len(stars), 3))
    hues[told] = np.clip(flux[told] / flux[told].mean(axis=1, keepdims=True), 1 / STRONGEST, STRONGEST)
    return hues


def recoloured(
    image: list[Float32], weights: Float64, field: Field, hues: Float64 | None, mask: Bool
) -> None:
    """Give the light of stars its colours, white where there are none, in place.

    What stands out of the light around the discs of stars is taken for theirs; in crowded fields nothing is done.

    Parameters
    ----------
    image : three (ny, nx) float32
        R, G and B of a picture of lines.
    weights : (3,) float64
        Share of each in the brightness, which stays as it is.
    field : Field
        The stars.
    hues : (n, 3) float64 or None
        As of `star_hues`.
    mask : (ny, nx) bool
        Their discs.
    """
    if not mask.any() or mask.mean() > MOST_STARS:
        return
    under = [_without(plane, mask) for plane in image]
    light = sum(
        np.float32(w) * (plane - below) for w, plane, below in zip(weights, image, under, strict=True)
    )
    tints: list[Float32 | np.float32] = [np.float32(1)] * 3
    if hues is not None and len(hues):
        tints = list(_tints(mask.shape, field, hues, weights))
    for plane, below, tint in zip(image, under, tints, strict=True):
        plane[mask] = (below + tint * light)[mask]


def star_discs(shape: tuple[int, int], field: Field, width_px: float = 0.0) -> Bool:
    """Pixels (ny, nx) whose light is taken for that of stars, which are at least so wide (FWHM) as they stand there."""
    reach = DISC * stardiscs.star_reach(max(field.fwhm_px, width_px), field.brightness)
    return stardiscs.star_mask(shape, field.x, field.y, reach)


def star_pixels(maps: LineMaps, stars: StarList, width_px: float) -> Bool:
    """Pixels (ny, nx) of stars: discs of those in a list, and sharp peaks of continuum, which may be in none.

    Parameters
    ----------
    maps : LineMaps
        With continuum.
    stars : StarList
    width_px : float
        Of stars as they stand in the stacks, FWHM.
    """
    light, spread = maps.light["continuum"], maps.variance("continuum")
    known = np.isfinite(light) & (spread > 0)
    plane = np.where(known, light, np.float32(0))
    sharp = plane - starlet.smoothed(plane, 2)
    peaks = known & (sharp > PEAK * np.sqrt(np.where(known, spread, 1)))
    around = ndimage.binary_dilation(peaks, iterations=max(1, round(width_px)))
    return np.asarray(around | star_discs((light.shape[0], light.shape[1]), stars_on(stars), width_px))


def with_clean_stars(
    maps: LineMaps, planes: Sequence[Float32], per_electron: float, where: Bool, canvas: Canvas
) -> LineMaps:
    """Maps for pictures, in which stars are continuum alone: on their pixels lines are as around them.

    What the subtraction of continuum leaves of a star is the difference of the seeing of two stacks and of where
    samples fell on it, and what bringing a star of a pixel or two on another grid does to it: holes and rims, often
    many times its line light. So its light is taken from the stack of the lines as it is. In crowded fields nothing is
    done.

    Parameters
    ----------
    maps : LineMaps
        With continuum.
    planes : three (ny, nx) float32
        Of the stack of the lines, sky off.
    per_electron : float
        Continuum in its unit for an electron of a mean sample of that stack.
    where : (ny, nx) bool
        See `star_pixels`.
    canvas : Canvas
    """
    if not where.any() or where.mean() > MOST_STARS:
        return maps
    seen = np.zeros(where.shape, dtype=np.float32)
    for share, plane in zip(SAMPLES, planes, strict=True):
        seen += np.float32(share) * plane
    star = np.float32(per_electron) * np.maximum(seen - _without(seen, where), 0)
    light = {name: canvas.new(where.shape) for name in maps.light}
    for name, plane in maps.light.items():
        under = _without(plane, where)
        if name == "continuum":
            under += star
        light[name][:] = np.where(where & np.isfinite(plane), under, plane)
    return replace(maps, light=light)


def _without(plane: Float32, mask: Bool) -> Float32:
    """A plane with what lies around discs in their place."""
    filled = gaps.fill_gaps(np.where(mask, np.float32(np.nan), plane))
    for scale in range(3):
        filled = np.where(mask, starlet.smooth_step(filled, scale), filled)
    return filled


def _tints(shape: tuple[int, ...], field: Field, hues: Float64, weights: Float64) -> list[Float32]:
    """What light of stars is multiplied by in each channel: the colours of all that are near, by their light there."""
    total = np.full((shape[0], shape[1]), 1e-12, dtype=np.float32)
    sums = [np.full_like(total, 1e-12) for _ in range(3)]
    scaled = hues / (hues @ weights)[:, None]  # brightness stays
    reach = np.ceil(stardiscs.star_reach(field.fwhm_px, field.brightness)).astype(int) + 1
    for k in range(len(field.x)):
        x, y, r = round(field.x[k]), round(field.y[k]), int(reach[k])
        rows, columns = (slice(max(place - r, 0), place + r + 1) for place in (y, x))
        v, u = np.ogrid[rows.start : min(rows.stop, shape[0]), columns.start : min(columns.stop, shape[1])]
        apart = (v - field.y[k]) ** 2 + (u - field.x[k]) ** 2
        share = (field.brightness[k] / (1 + apart / (0.5 * field.fwhm_px) ** 2) ** 2.5).astype(np.float32)
        total[rows, columns] += share
        for channel, part in zip(scaled[k], sums, strict=True):
            part[rows, columns] += np.float32(channel) * share
    return [part / total for part in sums]
