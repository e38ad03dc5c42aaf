"""Smoothing that two independent halves of the data must confirm: starlet split-half Wiener gains.

`fourlight.core.starlet` splits an image into detail of growing size and a smooth rest, and their sum is the image.
Detail that both halves of the frames show is kept, detail that only one half shows is noise and is taken away. From
the fourth scale on its share is reckoned at every second pixel, then at every fourth and so on: what is left of the
halves by then holds nothing finer (its spectrum is down to 0.002 there).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from fourlight.core.halfpower import noise_share
from fourlight.core.spare import Spare
from fourlight.core.starlet import add_finer, parted, smooth_step

__all__ = [
    "NOISE_PER_SCALE",
    "NO_CAP",
    "WHOLE_SCALES",
    "Level",
    "confirmed",
    "half_ratio",
    "kept_share",
    "median_of",
    "scale_details",
    "told_levels",
    "usual",
]

Float32 = npt.NDArray[np.float32]
Level: TypeAlias = Callable[[Callable[[], Float32], int], float]
"""Noise of a scale over the expected one, from a function that gives their ratios, and the scale."""

NOISE_PER_SCALE = (0.8908, 0.2007, 0.0855, 0.0412, 0.0204, 0.0102, 0.0051)
"""Standard deviation of each scale for white noise of unit standard deviation in two dimensions.

Exact for the B3 spline: square root of the sum of squared weights of the impulse response of the scale."""

NO_CAP = np.empty(0, dtype=np.float32)

WHOLE_SCALES = 3
"""Scales of which it is reckoned at every pixel how much is noise; of the next it is at every second one and so on."""


def usual(ratio: Callable[[], Float32], _scale: int) -> float:
    """Median of the ratios that are not zero: noise that the halves show at one scale over the expected noise."""
    return median_of(ratio())


def median_of(ratio: Float32) -> float:
    """Median of the values above zero; 0 where there are none."""
    known = ratio[ratio > 0]
    return float(np.median(known)) if known.size else 0.0


def confirmed(
    image: Float32,
    halves: tuple[Float32, Float32] | None,
    variance: Float32 | None,
    *,
    strength: float,
    scales: int,
    level: Level = usual,
    spare: Spare | None = None,
    caps: Sequence[Float32] = (),
    taken: Float32 | None = None,
    lit: Float32 | None = None,
) -> Float32:
    """The image without the detail that its halves do not confirm.

    At every scale, with half details a and b, c = (a + b)/2 and d = (a - b)/2, the gain is
    ``max(0, 1 - 1.5 <d^2> / <c^2>)`` with local means: <c^2> holds signal and noise, <d^2> noise alone. Where
    both halves show the same bright detail, d holds seeing and cloud that changed between them: there the
    noise is taken from ``variance``, brought to the level that the halves show over the whole image; and so
    where both hold the same numbers, since one stands in for the other there. In a mixture of planes that holds
    only where it is so for all of them.

    Parameters
    ----------
    image : (ny, nx) float32
        Finite everywhere.
    halves : two (ny, nx) float32, or None
        Independent images of the same light, finite everywhere.
    variance : (ny, nx) float32, or None
        Variance of ``image``; without halves taken as white noise, with halves only its shape counts.
    strength : float
        1 takes all unconfirmed detail away, 0 returns the image.
    scales : int
        Number of detail scales; the smooth rest is kept as it is.
    level : callable
        Noise of a scale over the expected one; of a part of an image that of the whole is needed. The image must
        begin at a multiple of ``2**scales`` pixels of the whole one then.
    spare : Spare, optional
        Where arrays are taken from, the result too.
    caps : sequence of (CLASSES,) float32
        Of each scale, the most of doubtful detail that is kept, see `fourlight.core.honesty`.
    taken : (ny, nx) float32, optional
        Filled with the share of the power of noise that is taken away; by the three finest scales, which hold all but
        a part in three hundred of that of white noise.
    lit : (ny, nx) float32, optional
        1 where the halves differ by more than their noise, as where the light of stars was taken off them, whose seeing
        was not the same: there the noise is the expected one too; 0 elsewhere.
    """
    if taken is not None:
        taken[:] = 0
    if strength <= 0 or (halves is None and variance is None):
        return image.copy()
    spare = spare or Spare()
    current = image = np.ascontiguousarray(image, dtype=np.float32)
    lost: list[Float32] = []
    powers = _Powers(taken)
    for scale, (pair, expected, same, lit_here) in enumerate(
        scale_details(halves or (image,), variance, scales, spare, lit)
    ):
        smooth, detail = parted(current, min(scale, WHOLE_SCALES), spare)
        cap = caps[scale] if scale < len(caps) else NO_CAP
        share = _lost_share(pair, expected, scale, strength, same, level, spare, cap, powers, lit_here)
        share = _on_grid(share, detail.shape, spare)
        share *= detail
        lost.append(share)
        spare.give(detail, *([current] if current is not image else []))
        current = smooth if scale < WHOLE_SCALES else _thinned(smooth, spare)
    total = lost.pop()
    while lost:
        coarse, total = total, lost.pop()
        if coarse.shape == total.shape:
            total += coarse
        else:
            add_finer(coarse, total)
        spare.give(coarse)
    spare.give(current)
    powers.settle()
    return np.asarray(np.subtract(image, total, out=total), dtype=np.float32)


class _Powers:
    """What is taken away of the noise, from the shares of the finest scales and the noise of each."""

    def __init__(self, taken: Float32 | None) -> None:
        self.taken, self.total = taken, 0.0

    def add(self, share: Float32, power: float) -> None:
        """Shares are of amplitudes: what is left of the power is their rest squared."""
        if self.taken is not None and share.shape == self.taken.shape:
            self.taken += np.float32(power) * (1 - np.square(1 - share))
            self.total += power

    def settle(self) -> None:
        """Divide by the noise of these scales together."""
        if self.taken is not None:
            self.taken /= np.float32(max(self.total, 1e-30))


def told_levels(
    halves: tuple[Float32, Float32], variance: Float32 | None, *, scales: int, level: Level, spare: Spare
) -> None:
    """Ask for the level of every scale as `confirmed` does, and do nothing else."""
    for scale, (pair, expected, _, _) in enumerate(scale_details(halves, variance, scales, spare)):
        a, b = pair
        level(half_ratio(a, b, expected, scale), scale)


def kept_share(
    detail: Float32, halves: tuple[Float32, Float32] | None, variance: Float32, scale: int, strength: float,
    level: Level = usual, spare: Spare | None = None,
) -> Float32:  # fmt: skip
    """Share of the detail of one scale that the half details, or else the variance of the image, confirm."""
    same = None if halves is None else _same(*halves)
    share = _lost_share(halves or (detail,), variance, scale, strength, same, level, spare or Spare())
    return np.subtract(np.float32(1), share, out=share)


Details: TypeAlias = tuple[Float32, ...]
"""Of two halves, or of the image alone."""


def scale_details(
    images: Details, variance: Float32 | None, scales: int, spare: Spare, lit: Float32 | None = None
) -> Iterator[tuple[Details, Float32, Float32 | None, Float32 | None]]:
    """Details of each scale, finest first, expected power of their noise but for a factor, `_same`, and what is lit.

    They are taken back when the next scale is asked for.
    """
    shape = images[0].shape
    expected = np.ones(shape, np.float32) if variance is None else np.asarray(variance, dtype=np.float32)
    same = _same(*images) if len(images) == 2 else None
    images = tuple(np.ascontiguousarray(image, dtype=np.float32) for image in images)
    for scale in range(scales):
        own, thin = min(scale, WHOLE_SCALES - 1), scale >= WHOLE_SCALES - 1
        parts = [parted(image, own, spare) for image in images]
        yield tuple(detail for _, detail in parts), expected, same, lit
        spare.give(*(detail for _, detail in parts), *(images if scale else ()))
        images = tuple(_thinned(smooth, spare) if thin else smooth for smooth, _ in parts)
        same, lit = (None if each is None else smooth_step(each, own, spare) for each in (same, lit))
        if thin:
            same, lit = (None if each is None else _thinned(each, spare) for each in (same, lit))
            expected = _thinned(smooth_step(expected, 0, spare), spare)
    spare.give(*images)


def _thinned(image: Float32, spare: Spare) -> Float32:
    """Every second row and column, in place of the image."""
    thin = spare.take((-(-image.shape[0] // 2), -(-image.shape[1] // 2)))
    thin[:] = image[::2, ::2]
    spare.give(image)
    return thin


def _on_grid(image: Float32, shape: tuple[int, ...], spare: Spare) -> Float32:
    """An image known at every second pixel of a shape, or at all of them, at all of them."""
    if image.shape == shape:
        return image
    fine = spare.take(shape)
    fine[:] = 0
    add_finer(image, fine)
    spare.give(image)
    return fine


def _same(a: Float32, b: Float32) -> Float32 | None:
    """1 where both halves hold the same number beside another such pixel, None where they nowhere do.

    One half that stands in for the other does so over an area; single pixels are alike by chance.
    """
    same = a == b
    beside = np.zeros_like(same)
    np.logical_and(same[:, 1:], same[:, :-1], out=beside[:, 1:])
    if not beside.any():
        return None
    beside[:, :-1] |= beside[:, 1:]
    return np.asarray(beside, dtype=np.float32)


def half_ratio(a: Float32, b: Float32, expected: Float32, scale: int) -> Callable[[], Float32]:
    def ratio() -> Float32:
        noise = smooth_step(np.square((a - b) / 2), min(scale, WHOLE_SCALES - 1))
        noise /= np.maximum(expected, np.float32(1e-30))
        return noise

    return ratio


def _lost_share(
    details: Details, expected: Float32, scale: int, strength: float, same: Float32 | None, level: Level,
    spare: Spare, caps: Float32 = NO_CAP, powers: _Powers | None = None, lit: Float32 | None = None,
) -> Float32:  # fmt: skip
    """Share of the detail of a scale that is taken away."""
    out, none = spare.take(details[0].shape), np.empty((0, 0), dtype=np.float32)
    step, power = 2 ** min(scale, WHOLE_SCALES - 1), np.float32(strength)
    if len(details) == 1:
        white = np.float32(NOISE_PER_SCALE[min(scale, len(NOISE_PER_SCALE) - 1)] ** 2)
        seen = white
        noise_share(details[0], none, expected * white, none, none, np.float32(1), step, power, out, caps)
    else:
        a, b = details
        seen = np.float32(level(half_ratio(a, b, expected, scale), scale))
        known = none if same is None else same
        noise_share(a, b, expected, known, none if lit is None else lit, seen, step, power, out, caps)
    if powers is not None:
        powers.add(out, float(seen))
    return out
