"""Smoothing that two independent halves of the data must confirm: starlet split-half Wiener gains.

`fourlight.core.starlet` splits an image into detail of growing size and a smooth rest, and their sum is the image.
Detail that both halves of the frames show is kept, detail that only one half shows is noise and is taken away. What
is taken away from the third scale on is reckoned at every second pixel, of the next at every fourth and so on: such
detail holds nothing finer (its spectrum is down to 0.002 there).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import TypeAlias

import numpy as np
import numpy.typing as npt


from fourlight.core.halfpower import noise_share
from fourlight.core.spare import Spare
from fourlight.core.starlet import add_finer, parted, smooth_step

__all__ = ["NOISE_PER_SCALE", "Level", "confirmed", "kept_share", "told_levels", "usual"]

Float32 = npt.NDArray[np.float32]
Level: TypeAlias = Callable[[Callable[[], Float32], int], float]
"""Noise of a scale over the expected one, from a function that gives their ratios, and the scale."""

NOISE_PER_SCALE = (0.8908, 0.2007, 0.0855, 0.0412, 0.0204, 0.0102, 0.0051)
"""Standard deviation of each scale for white noise of unit standard deviation in two dimensions.

Exact for the B3 spline: square root of the sum of squared weights of the impulse response of the scale."""

WHOLE_SCALES = 2
"""Scales that are reckoned at every pixel."""


def usual(ratio: Callable[[], Float32], scale: int) -> float:
    """Median of the ratios that are not zero: noise that the halves show at one scale over the expected noise."""
    values = ratio()
    known = values[values > 0]
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
        begin at a multiple of ``2**(scales - 2)`` pixels of the whole one then.
    spare : Spare, optional
        Where arrays are taken from, the result too.
    """
    if strength <= 0 or (halves is None and variance is None):
        return image.copy()
    spare = spare or Spare()
    current = image = np.ascontiguousarray(image, dtype=np.float32)
    lost: list[Float32] = []
    for scale, (pair, expected, same) in enumerate(_scales(halves, variance, image.shape, scales, spare)):
        smooth, detail = parted(current, min(scale, WHOLE_SCALES - 1), spare)
        share = _lost_share(detail, pair, expected, scale, strength, same, level, spare)
        share *= detail
        lost.append(share)
        spare.give(detail, *([current] if current is not image else []))
        current = _thinned(smooth, scale, spare)
    total = lost.pop()
    while lost:
        coarse, total = total, lost.pop()
        if coarse.shape == total.shape:
            total += coarse
        else:
            add_finer(coarse, total)
        spare.give(coarse)
    spare.give(current)
    return np.asarray(np.subtract(image, total, out=total), dtype=np.float32)


def told_levels(
    halves: tuple[Float32, Float32], variance: Float32 | None, *, scales: int, level: Level, spare: Spare
) -> None:
    """Ask for the level of every scale as `confirmed` does, and do nothing else."""
    for scale, (pair, expected, _) in enumerate(_scales(halves, variance, halves[0].shape, scales, spare)):
        assert pair is not None
        level(_ratio(*pair, expected, scale), scale)


def kept_share(
    detail: Float32, halves: tuple[Float32, Float32] | None, variance: Float32, scale: int, strength: float,
    level: Level = usual, spare: Spare | None = None,
) -> Float32:  # fmt: skip
    """Share of the detail of one scale that the half details, or else the variance of the image, confirm."""
    same = None if halves is None else _same(*halves)
    share = _lost_share(detail, halves, variance, scale, strength, same, level, spare or Spare())
    return np.subtract(np.float32(1), share, out=share)


Scale: TypeAlias = tuple[tuple[Float32, Float32] | None, Float32, Float32 | None]
"""Details of the halves, expected power of the noise but for a factor, and where one half stands for the other."""


def _scales(
    halves: tuple[Float32, Float32] | None, variance: Float32 | None, shape: tuple[int, ...], scales: int,
    spare: Spare,
) -> Iterator[Scale]:  # fmt: skip
    """What is needed of each scale, finest first; it is taken back when the next one is asked for."""
    expected = np.ones(shape, np.float32) if variance is None else np.asarray(variance, dtype=np.float32)
    same = None if halves is None else _same(*halves)
    pair = [np.ascontiguousarray(half, dtype=np.float32) for half in halves or ()]
    for scale in range(scales):
        own = min(scale, WHOLE_SCALES - 1)
        parts = [parted(half, own, spare) for half in pair]
        yield (parts[0][1], parts[1][1]) if parts else None, expected, same
        spare.give(*(detail for _, detail in parts), *(pair if scale else ()))
        pair = [_thinned(smooth, scale, spare) for smooth, _ in parts]
        same = None if same is None else _thinned(smooth_step(same, own, spare), scale, spare)
        if scale >= WHOLE_SCALES - 1:
            expected = _thinned(smooth_step(expected, 0, spare), scale, spare)
    spare.give(*pair)


def _thinned(image: Float32, scale: int, spare: Spare) -> Float32:
    """Every second row and column after the scales that need all, in place of the image."""
    if scale < WHOLE_SCALES - 1:
        return image
    thin = spare.take((-(-image.shape[0] // 2), -(-image.shape[1] // 2)))
    thin[:] = image[::2, ::2]
    spare.give(image)
    return thin


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
    return beside.astype(np.float32)


def _ratio(a: Float32, b: Float32, expected: Float32, scale: int) -> Callable[[], Float32]:
    def ratio() -> Float32:
        noise = smooth_step(np.square((a - b) / 2), min(scale, WHOLE_SCALES - 1))
        noise /= np.maximum(expected, np.float32(1e-30))
        return noise

    return ratio


def _lost_share(
    detail: Float32, pair: tuple[Float32, Float32] | None, expected: Float32, scale: int, strength: float,
    same: Float32 | None, level: Level, spare: Spare,
) -> Float32:  # fmt: skip
    """Share of the detail of a scale that is taken away."""
    out, none = spare.take(detail.shape), np.empty((0, 0), dtype=np.float32)
    step, power = 2 ** min(scale, WHOLE_SCALES - 1), np.float32(strength)
    if pair is None:
        white = np.float32(NOISE_PER_SCALE[min(scale, len(NOISE_PER_SCALE) - 1)] ** 2)
        noise_share(detail, none, expected * white, none, np.float32(1), step, power, out)
    else:
        seen = np.float32(level(_ratio(*pair, expected, scale), scale))
        noise_share(*pair, expected, none if same is None else same, seen, step, power, out)
    return out
