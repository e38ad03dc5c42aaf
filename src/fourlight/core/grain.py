"""Grain of an image where stars were taken off it, brought down to that of what is around.

Under a bright star there is more noise than around; and where a stack was smoothed with its stars, both halves confirm
all of a star, its noise too, which is left as a speckled ring once the star is off. Detail of each size is weakened
there until it is as strong as around, but for what stands so far above the noise that it is real.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fourlight.core.gaps import fill_gaps
from fourlight.core.mending import mended
from fourlight.core.shrinkage import NOISE_PER_SCALE
from fourlight.core.starlet import smooth_step, smoothed, starlet

__all__ = ["even_grain"]

Float32 = npt.NDArray[np.float32]
Bool = npt.NDArray[np.bool_]

# Figures below without a source were chosen on simulated fields and their truth, see docs/finish.md.
SCALES = 4
"""Sizes of detail that are weakened: what is larger than 16 px stays."""
GRAINS = 2
"""Sizes of what is measured at hidden pixels that may be their grain."""
MOST, ASTRAY = 3.0, 1.5
"""Detail over its noise up to which it is grain at hidden pixels, and its mean strength from which it is none: noise
that was not smoothed has 1."""
REAL, TOGETHER = 4.0, 2.0
"""Detail over its noise from which it is kept, and its rms over the 5 x 5 details around a pixel: less than one pixel
of a thousand of pure noise is."""
NEAR, AROUND = 3, 5
"""Scales over which the strength of detail is taken at most, 10 px under stars, 40 px around."""
CHANCE = 0.3
"""Share by which a mean of few details may be above that around, which is no reason to weaken them."""
FEWEST = np.float32(1e-3)
"""Share of the pixels around that tells how strong detail is."""
TRUSTED = np.float32(0.01)
"""Share of the pixels around that has to be no spot for that to be believed; of fewer, detail is weakened less."""
MEAN = float(np.sqrt(2 / np.pi))
"""Mean size of noise of unit standard deviation."""


def even_grain(image: Float32, hidden: Bool, spots: Bool, sigma: Float32, doubt: Float32) -> Float32:
    """The image, filled where it is hidden, with no more grain in its spots than around them.

    Where what was measured at hidden pixels is no rougher than its noise, it gives them grain as strong as around; else
    they are filled smoothly. It is told around spots how strong detail usually is: where nothing is around, in the
    midst of spots wider than 100 px, nothing is weakened. Detail that stands between the usual one and the noise is
    weakened too.

    Parameters
    ----------
    image : (ny, nx) float32
        Stars taken off; NaN where nothing is known, which is filled.
    hidden : (ny, nx) bool
        What was measured here is not to be trusted.
    spots : (ny, nx) bool
        Where grain may be stronger than around; outside them and of what is hidden the image stays as it is.
    sigma : (ny, nx) float32
        Noise of a pixel before anything was smoothed, in units of the image, > 0.
    doubt : (ny, nx) float32
        By how much what was taken off may be wrong, of any size, in the same units, >= 0: detail has to stand above it
        as well to be kept.

    Examples
    --------
    >>> noise = np.random.default_rng(1).normal(size=(96, 96)).astype(np.float32)
    >>> spots = np.hypot(*np.mgrid[-48:48, -48:48]) < 12
    >>> image = np.where(spots, noise, 0.2 * noise)
    >>> even = even_grain(image, np.zeros_like(spots), spots, np.ones_like(noise), np.zeros_like(noise))
    >>> bool(0.15 < even[spots].std() < 0.3), bool(np.array_equal(even[~spots], image[~spots]))
    (True, True)
    """
    known = np.isfinite(image)
    filled = mended(image, hidden)
    spots = spots | hidden
    if not spots.any() or (spots | ~known).all():
        return filled
    usual = mended(image, spots)
    filled = _with_grain(np.where(known, image, filled), filled, hidden, sigma)
    out = usual.copy()
    for scale, (detail, around) in enumerate(
        zip(starlet(filled, SCALES), starlet(usual, SCALES), strict=True)
    ):
        own = detail - around
        if scale < SCALES:
            noise = np.float32(NOISE_PER_SCALE[scale]) * sigma + doubt / np.float32(REAL)
            share = _usual_share(detail, around, spots, known, np.float32(REAL) * noise, min(scale + 1, NEAR))
            own *= share + (1 - share) * _real(own, noise, scale)
        out += own
    return np.where(spots, out, filled)


def _with_grain(image: Float32, filled: Float32, hidden: Bool, sigma: Float32) -> Float32:
    """What was filled with the finest detail that was measured there, where this is noise and no error of a profile."""
    if not hidden.any():
        return filled
    out = filled.copy()
    details = list(starlet(np.where(hidden, image - filled, np.float32(0)), GRAINS))[:GRAINS]
    for scale, detail in enumerate(details):
        noise = np.float32(NOISE_PER_SCALE[scale]) * sigma
        size = np.minimum(np.abs(detail) / noise, MOST)
        rough = _mean_of(size, hidden, scale + 2) / np.float32(MEAN)
        trust = np.clip((ASTRAY - rough) / (ASTRAY - 1), 0, 1)
        out += np.where(hidden & (size < MOST), trust * detail, np.float32(0))
    return out


def _usual_share(
    detail: Float32, around: Float32, spots: Bool, known: Bool, most: Float32, near: int
) -> Float32:
    """How strong detail is around spots over how strong it is in them, at most 1; 1 where these differ by chance."""
    beside = known & ~spots
    usual = _mean_of(np.minimum(np.abs(around), most), beside, AROUND)
    own = _mean_of(np.minimum(np.abs(detail), most), spots, near)
    share = np.minimum(usual / np.maximum(own, np.float32(1e-20)), np.float32(1))
    share = np.minimum(share + np.float32(CHANCE) * np.square(share), np.float32(1))
    # reckoned for each size, though it is the same: kept, it would be the most memory of all
    trust = np.minimum(smoothed(beside.astype(np.float32), AROUND) / TRUSTED, np.float32(1))
    return np.asarray(1 - trust * (1 - share), dtype=np.float32)


def _mean_of(values: Float32, where: Bool, scales: int) -> Float32:
    """Mean of the values around each pixel, of those where it says so; of the nearest ones where none are around."""
    total, count = (smoothed(part.astype(np.float32), scales) for part in (np.where(where, values, 0), where))
    return fill_gaps(np.where(count > FEWEST, total / np.maximum(count, FEWEST), np.float32(np.nan)))


def _real(detail: Float32, noise: Float32, scale: int) -> Float32:
    """Share of the detail of a scale that is kept since it is more than noise, by itself or with its neighbours."""
    alone, together = np.square(detail), smooth_step(np.square(detail), scale)
    size = np.maximum(alone / np.square(REAL * noise), together / np.square(TOGETHER * noise))
    return np.asarray(1 - 1 / np.maximum(size, 1), dtype=np.float32)
