"""From the profile that stars have to a narrower one: the filter, how far it may go, and what it does to a tile.

The profile P is not undone but exchanged for a target T that pixels can carry. In Fourier space ``K = P / T`` is what
blurs the target to the image, and the filter is its regularised inverse ``K* (1 + r) / (|K|^2 + r)``. What it adds to
the image is held in two ways. It ends at the finest detail that the halves confirm: beyond, the image stays as it is.
And it reaches no further than the profile is known, so that a star has no say far from where it stands. It keeps all
light. A target is taken only where what stars become of it is nearly as narrow as it and has no rings that are seen.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import fft

from fourlight.core.fieldprofile import DOUBT, FieldProfile, printed
from fourlight.core.profilerest import no_rest

__all__ = [
    "FAR",
    "LEAST_GAIN",
    "LEAST_PX",
    "Target",
    "added",
    "exchange",
    "filtered",
    "narrowest",
    "passed",
    "ring_depth",
    "smooth_fall",
    "spectrum",
]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Complex = npt.NDArray[np.complex64]

LEAST_PX = 2.0
"""Least width of a target: narrower ones alias on the pixels."""

LEAST_GAIN = 0.95
"""Width of a target over that of the stars, above which nothing is done."""

SHARES: tuple[float, ...] = tuple(np.linspace(0.5, LEAST_GAIN, 19).tolist())
"""Widths of targets over that of the stars."""

RIDGE = 0.003
"""Regularisation r: gains stay below 9, and what the profile is off by, about a hundredth, stays below a fifth."""

STEEP = 4
"""Power with which the filter falls around the finest confirmed frequency: steeper ones ring."""

NEAR, FAR = 4.0, 6.0
"""Over the width of stars: distances between which the filter fades out; nearer, its end would leave rings."""

MOST_PX = 60.0
"""The filter reaches no farther: the rims of tiles are hardly wider."""

PLACES = ((0.5, 0.5), (0.1, 0.1), (0.1, 0.9), (0.9, 0.1), (0.9, 0.9))
"""Where on the field stars are looked at, over its height and width; the middle first."""

SIDE = 128
"""Side of the squares on which profiles are weighed against each other."""


@dataclass(frozen=True, slots=True)
class Target:
    """A round profile with the wings of the stars."""

    fwhm_px: float
    wings: float

    def spectrum(self, side: int) -> Complex:
        """Fourier transform of its picture with the star in the first pixel, sum 1."""
        shape = np.array([1.0, 0.0, 1.0]) / (0.5 * self.fwhm_px) ** 2
        return _transformed(shape, self.wings, no_rest(1)[0], side)


def spectrum(profile: FieldProfile, x: float, y: float, side: int, wider: float = 1.0) -> Complex:
    """Fourier transform of a star at a place, in the first pixel, sum 1; of one so much wider than known."""
    return _transformed(profile.shape(x, y) / wider**2, profile.wings, profile.rest, side)


def _transformed(shape: Float64, wings: float, rest: Float64, side: int) -> Complex:
    odd = side - 1 + side % 2
    middle, picture = odd // 2, printed(shape, wings, rest, odd)
    wide = np.zeros((side, side))
    wide[:odd, :odd] = picture / picture.sum()
    return np.asarray(fft.rfft2(np.roll(wide, (-middle, -middle), axis=(0, 1))), dtype=np.complex64)


def exchange(stars: Complex, target: Complex, ridge: float = RIDGE) -> Complex:
    """Filter that turns stars into the target.

    >>> same = np.ones((8, 5), np.complex64)
    >>> bool(np.allclose(exchange(same, same, 0.1), 1))
    True
    """
    power = (np.abs(stars) ** 2 + np.float32(ridge) * np.abs(target) ** 2).astype(np.float32)
    return np.asarray(stars.conj() * target * np.float32(1 + ridge) / power, dtype=np.complex64)


def added(stars: Complex, target: Complex, finest: float, fwhm_px: float) -> Complex:
    """Filter that tells what is added to an image so that its stars become the target.

    Parameters
    ----------
    stars, target : (side, side // 2 + 1) complex64
    finest : float
        Frequency up to which detail is confirmed, cycles per pixel.
    fwhm_px : float
        Width of the stars, by which it is told how far the filter reaches.
    """
    side, far = len(stars), min(FAR * fwhm_px, MOST_PX)
    kernel = fft.irfft2((exchange(stars, target) - 1) * passed(side, finest), s=(side, side))
    step = fft.fftfreq(side, 1 / side)
    fade = smooth_fall(np.hypot(step[:, None], step), far * NEAR / FAR, far)
    kernel *= fade
    # light that would have come from farther away is not missed in what is kept: nothing is added in all
    place = fade * fft.irfft2(target, s=(side, side))
    kernel -= kernel.sum() / place.sum() * place
    return np.asarray(fft.rfft2(kernel), dtype=np.complex64)


def passed(side: int, finest: float) -> Float32:
    """(side, side // 2 + 1) share of the filter that is used: one half at the finest confirmed frequency.

    >>> passed(8, 0.25)[0].astype(float).round(3).tolist()
    [1.0, 0.958, 0.5, 0.03, 0.0]
    """
    frequency = np.hypot(fft.fftfreq(side)[:, None], fft.rfftfreq(side))
    return np.asarray(np.exp2(-((frequency / finest) ** STEEP)), dtype=np.float32)


def smooth_fall(distance: Float64, near: float, far: float) -> Float32:
    """1 up to the nearer of two distances, 0 from the farther one on, smooth between."""
    part = np.clip((far - distance) / (far - near), 0, 1)
    return (part * part * (3 - 2 * part)).astype(np.float32)


def filtered(image: Float32, by: Complex | Float32) -> Float32:
    """A square image filtered; its sides are taken to meet."""
    return np.asarray(fft.irfft2(fft.rfft2(image) * by, s=image.shape), dtype=np.float32)


def narrowest(profiles: Sequence[FieldProfile], finest: float, rings: Sequence[float]) -> float | None:
    """Width of the narrowest target that all channels can be brought to, None where none is worth it.

    Parameters
    ----------
    profiles : sequence of FieldProfile
        Of the channels.
    finest : float
        Frequency up to which detail is confirmed, cycles per pixel.
    rings : sequence of float
        Deepest dark ring of each channel that is not seen, over the height of a star.
    """
    width = max(profile.fwhm_px() for profile in profiles)
    for share in SHARES:
        fwhm_px = share * width
        if fwhm_px < LEAST_PX:
            continue
        gains = [_gain(profile, fwhm_px, finest, ring) for profile, ring in zip(profiles, rings, strict=True)]
        if max(gains) < np.inf and min(gains) <= LEAST_GAIN:
            return fwhm_px
    return None


def _gain(profile: FieldProfile, fwhm_px: float, finest: float, ring: float) -> float:
    """What the width of stars is multiplied by in the middle of the field, infinite where any get rings."""
    wanted = Target(fwhm_px, profile.wings).spectrum(SIDE)
    ny, nx = profile.size
    gains = []
    for v, u in PLACES:
        x, y = u * (nx - 1), v * (ny - 1)
        known = spectrum(profile, x, y, SIDE)
        height = float(fft.irfft2(known, s=(SIDE, SIDE)).max())
        by = 1 + added(known, wanted, finest, profile.fwhm_px())
        for wider in (1.0, 1 + DOUBT, 1 - DOUBT):
            made = spectrum(profile, x, y, SIDE, wider) * by
            reached = _width(made)
            gains.append(reached / _width(known))
            if ring_depth(fft.irfft2(made, s=(SIDE, SIDE)), reached) > ring * height:
                return np.inf
    return gains[0]


def ring_depth(star: npt.NDArray[np.floating], fwhm_px: float) -> float:
    """By how much the mean light around a star, in its first pixel, swings about a smooth fall.

    Beyond its width the light of a star falls ever more slowly. Where it falls faster again a brighter ring ends, where
    it rises a darker one does, and nowhere is it below nothing: the largest of what is wrong.

    >>> light = np.zeros((16, 16)); light[0, 0], light[0, 5] = 1.0, 0.8
    >>> round(ring_depth(light, 1.0), 3)
    0.057
    """
    step = np.abs(fft.fftfreq(len(star), 1 / len(star)))
    ring = np.rint(np.hypot(step[:, None], step)).astype(int).ravel()
    mean = (np.bincount(ring, star.ravel()) / np.bincount(ring))[: len(star) // 2]
    faster = -np.diff(mean, 2)[max(round(fwhm_px), 1) - 1 :]
    farther = np.maximum.accumulate(mean[::-1])[::-1]
    return float(max(faster.max(), (farther - mean).max(), -star.min()))


def _width(transformed: Complex) -> float:
    """Full width at half maximum along the rows, pixels, from the Fourier transform (side, side // 2 + 1)."""
    line = np.real(transformed.sum(axis=0)).astype(np.float64)
    frequency, twice = np.arange(len(line)) / SIDE, np.full(len(line), 2.0)
    twice[[0, -1]] = 1.0
    apart = np.arange(0, 0.25 * SIDE, 0.02)
    profile = np.cos(2 * np.pi * apart[:, None] * frequency) @ (twice * line)
    below = np.flatnonzero(profile < 0.5 * profile[0])
    return float(2 * apart[below[0]]) if below.size else float(SIDE)
