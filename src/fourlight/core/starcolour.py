"""What the stars of a frame say about its colours: aperture light per channel and the channel balance."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from fourlight.core.stardiscs import known_discs

__all__ = [
    "TYPICAL_SENSOR",
    "Balance",
    "StarLight",
    "balance_from_stars",
    "colour_light",
    "star_light",
    "star_peaks",
    "white_balance",
]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]
Int64 = npt.NDArray[np.int64]

TYPICAL_SENSOR = (0.75, 1.0, 0.80)
"""Light of a 5800 K body in one R, G and B sample of a colour sensor, G = 1.

Geometric mean over three published responses, 400-680 nm, which differ by 15 to 20 per cent: two small
sensors (scivision/raspicam-spectra) and the camera measured by NPL that colour-science ships."""

TOGETHER = 1000
"""Stars that are measured at a time."""

COLOUR_SCATTER = 0.35
"""Natural spread of ln(channel ratio) among field stars; common practice, no source."""
FEW = 5
"""Stars of that spread that are taken to have been seen beside those of a frame, when their scatter is told."""
OF_WIDTH = 1.4
"""Radius over the width of stars of apertures that tell colours."""
FREE = 0.2
"""Part of a ring that must be left where stars are left out."""
OF_MEDIAN = 1.5708
"""Variance of a median of many normal deviates, times their number: pi / 2."""


@dataclass(frozen=True, slots=True)
class Balance:
    """What makes the typical star neutral."""

    factors: Float64
    """(channels,) mean of their logarithms is zero."""
    count: int
    """Stars used."""
    covariance: Float64
    """(channels, channels) of the logarithms of the factors: that of stars of chance colours, and of the guess."""


@dataclass(frozen=True, slots=True)
class StarLight:
    """Light of stars in several channels."""

    flux: Float64
    """(n, channels) light in the aperture above the ring around it; NaN where the star is not usable."""
    error: Float64
    """(n, channels) one sigma: noise of the pixels in the aperture and of the level of its ring."""
    peak: Float64
    """(n, channels) see `star_peaks`."""


def star_peaks(channels: list[Float32], x: Float64, y: Float64) -> Float64:
    """(n, channels) brightest of the 3 x 3 pixels at stars, see `star_light`; NaN outside."""
    ny, nx = channels[0].shape
    column, row = np.rint(x).astype(int), np.rint(y).astype(int)
    inner = _within(column, row, 1, nx, ny)
    peak = np.full((len(x), len(channels)), np.nan)
    for c, image in enumerate(channels):
        peak[inner, c] = _around(image, row[inner], column[inner], 1).max(axis=1)
    return peak


def star_light(
    channels: list[Float32], variances: list[Float32], x: Float64, y: Float64, radius_px: float,
    lit: Bool | None = None,
) -> StarLight:  # fmt: skip
    """Aperture light of stars, the same aperture in every channel, above the median of the ring around it.

    Parameters
    ----------
    channels, variances : lists of (ny, nx) float32
        Images and the variance of their pixels.
    x, y : (n,) float64
        Positions, whole numbers at pixel centres.
    radius_px : float
        Radius of the aperture; the ring goes from 1.5 to 2.5 radii (at least 3 px wide).
    lit : (ny, nx) bool or None
        What rings leave out, where enough of them is left: `known_discs`. Stars that are chosen for apertures without
        others have whole rings with others in them, which tell the level under the star too high (1.3 % of its light
        where it is crowded).
    """
    shape = (len(x), len(channels))
    flux, error = (np.full(shape, np.nan) for _ in range(2))
    reach = int(np.ceil(max(2.5 * radius_px, 1.5 * radius_px + 3)))
    ny, nx = channels[0].shape
    column, row = np.rint(x).astype(int), np.rint(y).astype(int)
    whole = _within(column, row, reach, nx, ny)
    offset_y, offset_x = (part.ravel() for part in np.mgrid[-reach : reach + 1, -reach : reach + 1])
    for first in range(0, len(whole), TOGETHER):
        some = whole[first : first + TOGETHER]
        rows, columns = row[some], column[some]
        distance = np.hypot(offset_y + (rows - y[some])[:, None], offset_x + (columns - x[some])[:, None])
        inside, ring = distance <= radius_px, distance >= 1.5 * radius_px
        if lit is not None:
            ring = _free(ring, _around(lit, rows, columns, reach))
        for c, (image, variance) in enumerate(zip(channels, variances, strict=True)):
            light = _around(image, rows, columns, reach)
            flux[some, c] = np.where(inside, light - _levels(light, ring)[:, None], 0).sum(axis=1)
            spread = _around(variance, rows, columns, reach)
            own, level = np.where(inside, spread, 0).sum(axis=1), _level_variance(light, spread, ring)
            error[some, c] = np.sqrt(own + inside.sum(axis=1) ** 2 * level)
    return StarLight(flux, error, star_peaks(channels, x, y))


def _within(column: Int64, row: Int64, rim: int, nx: int, ny: int) -> Int64:
    """Numbers of the places that lie at least a rim from the edges."""
    return np.flatnonzero((column >= rim) & (column < nx - rim) & (row >= rim) & (row < ny - rim))


def _free(ring: Bool, lit: Bool) -> Bool:
    """(n, m) part of each ring that is not lit, or all of it where that is little."""
    free = ring & ~lit
    enough = free.sum(axis=1) >= FREE * ring.sum(axis=1)
    return np.where(enough[:, None], free, ring)


def _around(image: npt.NDArray[Any], rows: Int64, columns: Int64, reach: int) -> npt.NDArray[Any]:
    """(n, side * side) pixels of the squares around places, row by row."""
    step = np.arange(-reach, reach + 1)
    square = image[(rows[:, None] + step)[:, :, None], (columns[:, None] + step)[:, None, :]]
    return np.asarray(square.reshape(len(rows), len(step) ** 2))


def _levels(values: Float32, ring: Bool) -> Float32:
    """(n,) median of each row on its ring; NaN where less than half of the ring is known, at the rim of a stack."""
    known = ring & np.isfinite(values)
    count = known.sum(axis=1)
    ordered = np.sort(np.where(known, values, np.float32(np.inf)), axis=1)
    row = np.arange(len(values))
    middle = (ordered[row, (count - 1) // 2] + ordered[row, count // 2]) / 2
    return np.where(2 * count >= np.maximum(ring.sum(axis=1), 1), middle, np.float32(np.nan))


def _level_variance(values: Float32, variances: Float32, ring: Bool) -> Float64:
    """(n,) variance of `_levels`, of pixels whose noise is normal and their own; NaN where nothing is known."""
    known = ring & np.isfinite(values) & np.isfinite(variances)
    count = known.sum(axis=1)
    total = np.where(known, variances, 0).sum(axis=1, dtype=np.float64)
    return np.asarray(OF_MEDIAN * total / np.where(count > 0, count, np.nan) ** 2)


def balance_from_stars(
    light: StarLight, usable: Bool, prior: Float64, *, prior_sigma: float = 0.4, min_snr: float = 20.0
) -> Balance:
    """Factors that make the typical star of the frame neutral, with their error.

    The median of ln(channel over mean of channels) is combined with a prior guess by inverse variance, so
    that a few stars move the balance a little and many stars decide it. A field of unusually red or blue
    stars shifts the balance with it; catalogue colours would be needed to notice.

    Parameters
    ----------
    light : StarLight
        Light per star and channel.
    usable : (n,) bool
        Stars to use; saturated ones must be left out.
    prior : (channels,) float64
        Light per channel of something taken as neutral, positive; only its ratios count.
    prior_sigma : float
        Uncertainty of ln(prior).
    min_snr : float
        Smallest signal-to-noise of a star, channels added: a limit per channel would favour a colour.

    Returns
    -------
    Balance
        Its covariance says how far another draw of as many stars, or another guess, would move the factors; that the
        stars of this field are as red as others it takes for granted.
    """
    with np.errstate(invalid="ignore"):
        total = light.flux.sum(axis=1)
        enough = total > min_snr * np.sqrt((light.error**2).sum(axis=1))
        good = usable & enough & (light.flux > 0).all(axis=1)
    count = int(good.sum())
    log_prior = np.log(prior) - np.log(prior).mean()
    if count == 0:
        return Balance(np.exp(-log_prior), 0, prior_sigma**2 * _ratios(len(prior)))
    logs = np.log(light.flux[good])
    logs -= logs.mean(axis=1, keepdims=True)
    middle = np.median(logs, axis=0)
    spread = np.maximum(1.4826 * np.median(np.abs(logs - middle), axis=0), COLOUR_SCATTER)
    weight_stars = count / (OF_MEDIAN * spread**2)
    weight_prior = 1 / prior_sigma**2
    share = weight_stars / (weight_stars + weight_prior)
    mixed = share * middle + (1 - share) * log_prior
    covariance = _of_both(_of_stars(logs, middle, spread), prior_sigma, share)
    return Balance(np.exp(-(mixed - mixed.mean())), count, covariance)


def _of_stars(logs: Float64, middle: Float64, spread: Float64) -> Float64:
    """(channels, channels) covariance of the medians of logarithms (n, channels), from how the stars scatter.

    What is red is faint in blue: channels go together. Of a few stars some usual ones are added to tell it.
    """
    count = len(logs)
    off = np.clip(logs - middle, -3 * spread, 3 * spread)
    usual = FEW * COLOUR_SCATTER**2 * _ratios(len(middle))
    return np.asarray(OF_MEDIAN / count * (off.T @ off + usual) / (count + FEW))


def _of_both(stars: Float64, prior_sigma: float, share: Float64) -> Float64:
    """Covariance of a mean of stars and guess, the share of stars by channel, when its mean is taken off."""
    off = np.eye(len(share)) - 1 / len(share)
    prior = prior_sigma**2 * _ratios(len(share))
    mixed = np.outer(share, share) * stars + np.outer(1 - share, 1 - share) * prior
    return np.asarray(off @ mixed @ off)


def _ratios(n: int) -> Float64:
    """(n, n) covariance of n logarithms of variance 1 that differ at chance, but for their mean, which is zero.

    >>> _ratios(3).round(2).tolist()
    [[1.0, -0.5, -0.5], [-0.5, 1.0, -0.5], [-0.5, -0.5, 1.0]]
    """
    return np.asarray((np.eye(n) - 1 / n) * n / (n - 1))


def white_balance(light: StarLight, usable: Bool, variance: Float64) -> Balance:
    """Factor per channel (R, G, B) from the stars, held by a guess between the sky and a usual sensor where few.

    The light of the sky is judged from the noise, because the pedestal of the planes may be unknown.

    Parameters
    ----------
    light, usable
        As for `balance_from_stars`.
    variance : (3,) float64
        Usual variance of a pixel of each channel.

    Returns
    -------
    Balance
    """
    noise = np.maximum(np.nan_to_num(variance), 1e-30)
    found = balance_from_stars(light, usable, np.sqrt(noise / noise.max() * np.array(TYPICAL_SENSOR)))
    return replace(found, factors=np.clip(found.factors, 0.05, 20.0))


def colour_light(
    channels: list[Float32], variances: list[Float32], x: Float64, y: Float64, fwhm_px: float,
    chosen: Int64 | None = None, of_width: float = OF_WIDTH,
) -> StarLight:  # fmt: skip
    """Light that tells colours of stars of a picture, of all or of ``chosen`` ones by number (m,); see `star_light`.

    Rings leave out discs of all. Apertures have a radius of ``of_width`` times the width of stars, 2 px at least.
    """
    lit = known_discs((channels[0].shape[0], channels[0].shape[1]), x, y, fwhm_px)
    some = slice(None) if chosen is None else chosen
    return star_light(channels, variances, x[some], y[some], max(2.0, of_width * fwhm_px), lit)
