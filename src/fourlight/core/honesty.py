"""Whether what smoothing keeps is there: each half is smoothed knowing nothing of the other, which then judges it.

Of only two halves none can be cut in halves again. So each is smoothed by the variance that is known of it, brought
to the noise that the halves show at every scale, with the gains that the real smoothing has. What it keeps, times the
slope of the other half on it, is what the other half confirms. A slope below one is invented detail. The halves are
noisier than their mean, so that the slope of what is made of both is no lower.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from fourlight.core.halfpower import CLASSES, doubt_class, noise_share
from fourlight.core.shrinkage import NO_CAP, WHOLE_SCALES, Level, half_ratio, scale_details
from fourlight.core.spare import Spare

__all__ = ["HONEST", "MEAN_OVER_MEDIAN", "Slopes", "add_slopes"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]

HONEST = 0.9
"""Slope from which a scale is left as it is."""

MOSTLY = np.float32(0.5)
"""Share of lit pixels around from which halves tell nothing."""

MEAN_OVER_MEDIAN = (1.071, 1.079, 1.088)
"""Mean over median of the local power of noise at the first scale, the second, and the third and all after it.

Of white noise; the level of `fourlight.core.shrinkage` is the median."""


@dataclass(slots=True)
class Slopes:
    """Sums of one image over its parts, (scales, classes) by how much of the detail may be noise."""

    against: Float64
    """Smoothed half times the other half."""
    itself: Float64
    """Smoothed half squared."""
    count: Float64
    """Pixels of half images."""

    @classmethod
    def none(cls, scales: int) -> Slopes:
        """No part yet."""
        return cls(*(np.zeros((scales, CLASSES)) for _ in range(3)))

    @property
    def values(self) -> Float64:
        """(scales, classes) slopes; NaN where nothing is kept, so that there is nothing to judge."""
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(self.itself > 0, self.against / self.itself, np.nan)

    @property
    def caps(self) -> Float32:
        """(scales, classes) most of such detail that is kept: the slope where it is too low, else all of it.

        >>> Slopes(np.array([[5.0, 9.5, -1.0, 0.0]]), np.array([[10.0, 10, 10, 0]]), np.ones((1, 4))).caps.tolist()
        [[0.5, 1.0, 0.0, 1.0]]
        """
        slopes = self.values
        return np.where(slopes < HONEST, np.clip(slopes, 0, 1), 1.0).astype(np.float32)

    def overall(self, *, after: bool = False) -> Float64:
        """(scales,) slope of each scale, all its doubtful detail together, before the caps or after them."""
        cap = self.caps.astype(np.float64) if after else np.ones(self.itself.shape)
        total = (cap * cap * self.itself).sum(axis=1)
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(total > 0, (cap * self.against).sum(axis=1) / total, np.nan)


def add_slopes(
    halves: tuple[Float32, Float32], variance: Float32 | None, level: Level, sums: Slopes, spare: Spare,
    lit: Float32 | None = None,
) -> None:  # fmt: skip
    """Add what a part of an image tells.

    Parameters
    ----------
    halves : two (ny, nx) float32
        Independent images of the same light, finite everywhere.
    variance : (ny, nx) float32 or None
        Variance of their mean; only its shape counts.
    level : callable
        As of `fourlight.core.shrinkage.confirmed`, of the whole image.
    sums : Slopes
        Added to.
    lit : (ny, nx) float32 or None
        1 where the halves differ by more than their noise, 0 elsewhere: what tells nothing.
    """
    none = np.empty((0, 0), dtype=np.float32)
    for scale, (pair, expected, same, lit_here) in enumerate(
        scale_details(halves, variance, len(sums.itself), spare, lit)
    ):
        step = 2 ** min(scale, WHOLE_SCALES - 1)
        mean = MEAN_OVER_MEDIAN[min(scale, len(MEAN_OVER_MEDIAN) - 1)]
        power = np.float32(2 * mean * level(half_ratio(pair[0], pair[1], expected, scale), scale))
        noise, share = spare.take(expected.shape), spare.take(expected.shape)
        np.multiply(expected, power, out=noise)
        for one, other in (pair, pair[::-1]):
            noise_share(one, none, noise, none, none, np.float32(1), step, np.float32(1), share, NO_CAP)
            found = _sums(
                one,
                other,
                share,
                noise,
                none if same is None else same,
                none if lit_here is None else lit_here,
            )
            sums.against[scale] += found[0]
            sums.itself[scale] += found[1]
            sums.count[scale] += found[2]
        spare.give(noise, share)


@njit(cache=True, nogil=True)
def _sums(
    one: Float32, other: Float32, share: Float32, noise: Float32, same: Float32, lit: Float32
) -> Float64:
    """Products of what is kept with the other half and with itself, over the noise, and pixels, by class."""
    sums = np.zeros((3, CLASSES))
    for y in range(one.shape[0]):
        for x in range(one.shape[1]):
            lost, k = share[y, x], doubt_class(share[y, x])
            if k == CLASSES or not (lost < 1 and noise[y, x] > 0) or (same.size and same[y, x] > 0):
                continue
            if lit.size and lit[y, x] > MOSTLY:
                continue
            kept = (np.float32(1) - lost) * one[y, x]
            weight = np.float32(1) / noise[y, x]
            sums[0, k] += weight * kept * other[y, x]
            sums[1, k] += weight * kept * kept
            sums[2, k] += 1.0
    return sums
