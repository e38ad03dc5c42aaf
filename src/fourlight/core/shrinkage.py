"""Smoothing that two independent halves of the data must confirm: starlet split-half Wiener gains.

The starlet (isotropic undecimated wavelet, Starck & Murtagh 2006, Astronomical Image and Data Analysis,
section 2.3) splits an image into detail of growing size and a smooth rest, and their sum is the image. Detail
that both halves of the frames show is kept, detail that only one half shows is noise and is taken away.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import TypeAlias

import numpy as np
import numpy.typing as npt
from numba import njit

__all__ = [
    "NOISE_PER_SCALE",
    "Level",
    "confirmed",
    "fill_gaps",
    "kept_share",
    "smooth_step",
    "starlet",
    "usual",
]

Float32 = npt.NDArray[np.float32]
Level: TypeAlias = Callable[[Float32, int], float]

NOISE_PER_SCALE = (0.8908, 0.2007, 0.0855, 0.0412, 0.0204, 0.0102, 0.0051)
"""Standard deviation of each scale for white noise of unit standard deviation in two dimensions.

Exact for the B3 spline: square root of the sum of squared weights of the impulse response of the scale."""

PENALTY = 1.5
"""Factor on the noise power in the gain; 1.5 leaves about 5 per cent of pure noise."""

CLEAR = 24.0
"""Power in each half, over the noise of their mean, from which detail that both show is light.

Noise alone has power 2 in a half; local means over so few pixels rarely reach 12 times that."""

BAND_ROWS = 256
"""Rows that are filled at a time, even."""


@njit(cache=True, nogil=True)
def _mirrored(index: int, size: int) -> int:
    if size == 1:
        return 0
    period = 2 * size - 2
    index = abs(index) % period
    return index if index < size else period - index


@njit(cache=True, nogil=True)
def _weighted(a: Float32, b: Float32, c: Float32, d: Float32, e: Float32, out: Float32) -> None:
    """Spline of five equally long rows; plain indices let the compiler use wide instructions."""
    for x in range(out.size):
        out[x] = (
            np.float32(0.375) * c[x] + np.float32(0.25) * (b[x] + d[x]) + np.float32(0.0625) * (a[x] + e[x])
        )


@njit(cache=True, nogil=True)
def _smooth(image: Float32, step: int, out: Float32) -> None:
    ny, nx = image.shape
    reach = 2 * step
    padded = np.empty(nx + 2 * reach, dtype=np.float32)
    half = np.empty((ny, nx), dtype=np.float32)
    for y in range(ny):
        padded[reach : reach + nx] = image[y]
        for x in range(reach):
            padded[x] = image[y, _mirrored(x - reach, nx)]
            padded[reach + nx + x] = image[y, _mirrored(nx + x, nx)]
        _weighted(
            padded[:nx],
            padded[step : step + nx],
            padded[reach : reach + nx],
            padded[reach + step : reach + step + nx],
            padded[2 * reach :],
            half[y],
        )
    for y in range(ny):
        _weighted(
            half[_mirrored(y - reach, ny)],
            half[_mirrored(y - step, ny)],
            half[y],
            half[_mirrored(y + step, ny)],
            half[_mirrored(y + reach, ny)],
            out[y],
        )


def smooth_step(image: Float32, scale: int) -> Float32:
    """The image smoothed by the B3 spline (1, 4, 6, 4, 1)/16 with ``2**scale`` pixels between taps.

    Edges are mirrored about the last pixel. NaN spreads: see `fill_gaps`.
    """
    out = np.empty_like(image)
    _smooth(image, 2**scale, out)
    return out


def starlet(image: Float32, scales: int) -> Iterator[Float32]:
    """Detail of each scale, finest first, then the smooth rest; the sum of all is the image.

    >>> parts = list(starlet(np.eye(8, dtype=np.float32), 2))
    >>> len(parts), bool(np.allclose(sum(parts), np.eye(8), atol=1e-6))
    (3, True)
    """
    current = np.ascontiguousarray(image, dtype=np.float32)
    for scale in range(scales):
        smoother = smooth_step(current, scale)
        yield current - smoother
        current = smoother
    yield current


def usual(ratio: Float32, scale: int) -> float:
    """Median of the ratios that are not zero: noise that the halves show at one scale over the expected noise."""
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
        Noise of a scale over the expected one from their ratios; of a part of an image that of the whole is needed.
    """
    if strength <= 0 or (halves is None and variance is None):
        return image.copy()
    out = np.zeros_like(image, dtype=np.float32)
    current = np.ascontiguousarray(image, dtype=np.float32)
    pair = None if halves is None else [np.ascontiguousarray(half, dtype=np.float32) for half in halves]
    same = None if halves is None else _same(*halves)
    for scale in range(scales):
        smoother = smooth_step(current, scale)
        if pair is not None:
            smooth = [smooth_step(half, scale) for half in pair]
            a, b = (half - rest for half, rest in zip(pair, smooth, strict=True))
            pair = smooth
            signal, noise = _split_powers(a, b, variance, scale, same, level)
            del a, b
            same = same if same is None else smooth_step(same, scale)
        else:
            assert variance is not None
            white = np.float32(NOISE_PER_SCALE[min(scale, len(NOISE_PER_SCALE) - 1)] ** 2)
            signal, noise = np.square(current - smoother), variance * white
        detail = _gain(signal, noise, scale, strength)
        detail *= current - smoother
        out += detail
        current = smoother
        del signal, noise, detail
    return out + current


def kept_share(
    detail: Float32, halves: tuple[Float32, Float32] | None, variance: Float32, scale: int, strength: float,
    level: Level = usual,
) -> Float32:  # fmt: skip
    """Share of the detail of one scale that the half details, or else the variance of the image, confirm."""
    if halves is not None:
        signal, noise = _split_powers(*halves, variance, scale, _same(*halves), level)
    else:
        white = np.float32(NOISE_PER_SCALE[min(scale, len(NOISE_PER_SCALE) - 1)] ** 2)
        signal, noise = np.square(detail), variance * white
    return _gain(signal, noise, scale, strength)


def _same(a: Float32, b: Float32) -> Float32 | None:
    """1 where both halves hold the same number, None where they nowhere do."""
    same = a == b
    return same.astype(np.float32) if same.any() else None


def _split_powers(
    a: Float32, b: Float32, variance: Float32 | None, scale: int, same: Float32 | None, level: Level
) -> tuple[Float32, Float32]:
    """Power of what the halves share, and of the noise in it."""
    noise = np.square((a - b) / 2)
    expected: Float32 = np.ones_like(noise) if variance is None else variance
    ratio = smooth_step(noise, scale)
    ratio /= np.maximum(expected, np.float32(1e-30))
    expected = np.multiply(expected, np.float32(level(ratio, scale)), dtype=np.float32)
    del ratio
    weaker = smooth_step(np.square(a), scale)
    np.minimum(weaker, smooth_step(np.square(b), scale), out=weaker)
    clear = (weaker > np.float32(CLEAR) * expected) & (smooth_step(a * b, scale) > 0)
    del weaker
    np.minimum(noise, expected, out=noise, where=clear)
    if same is not None:
        expected *= same
        noise += expected
    return np.square((a + b) / 2), noise


def _gain(signal: Float32, noise: Float32, scale: int, strength: float) -> Float32:
    """Share of the detail that is kept, from the local powers of the halves' mean and half difference.

    Beside a star the wide mean of the power is all star; the narrow one keeps its noisy surroundings apart.
    """
    narrow = smooth_step(signal, scale)
    power = np.minimum(smooth_step(narrow, scale + 1), narrow)
    share = smooth_step(smooth_step(noise, scale), scale + 1)
    share *= np.float32(PENALTY)
    share /= np.maximum(power, np.float32(1e-30), out=power)
    np.minimum(share, np.float32(1), out=share)
    share *= np.float32(-strength)
    share += np.float32(1)
    return share


def fill_gaps(image: Float32, out: Float32 | None = None) -> Float32:
    """The image with NaN replaced by the mean of the nearest finite surroundings; all NaN gives zeros.

    Gaps are closed from coarser and coarser 2 x 2 means, so that even large ones cost one pass.

    Parameters
    ----------
    image : (ny, nx) float32
    out : the same, optional
        Where the result goes; else a new array, or the image itself where it has no gap.

    Examples
    --------
    >>> fill_gaps(np.array([[1.0, np.nan], [1.0, 1.0]], dtype=np.float32)).tolist()
    [[1.0, 1.0], [1.0, 1.0]]
    """
    parts = [slice(y, y + BAND_ROWS) for y in range(0, len(image), BAND_ROWS)]
    if out is None:
        if all(np.isfinite(image[part]).all() for part in parts):
            return np.ascontiguousarray(image, dtype=np.float32)
        out = np.empty(image.shape, dtype=np.float32)
    if max(image.shape) == 1:
        out[:] = np.nan_to_num(image, nan=0.0, posinf=0.0, neginf=0.0)
        return out
    coarse = np.concatenate([_means(image[part]) for part in parts])
    holds = np.isfinite(coarse).any()
    coarse = fill_gaps(coarse) if holds else np.zeros_like(coarse)
    for part in parts:
        rows = image[part]
        wide = np.repeat(np.repeat(coarse[part.start // 2 : part.stop // 2], 2, axis=0), 2, axis=1)
        out[part] = np.where(np.isfinite(rows), rows, wide[: rows.shape[0], : rows.shape[1]])
    return out


def _means(image: Float32) -> Float32:
    """Mean of the finite pixels of each 2 x 2, NaN where there is none."""
    ny, nx = image.shape
    padded = np.full((ny + ny % 2, nx + nx % 2), np.nan, dtype=np.float32)
    padded[:ny, :nx] = image
    blocks = padded.reshape(padded.shape[0] // 2, 2, padded.shape[1] // 2, 2)
    count = np.isfinite(blocks).sum(axis=(1, 3))
    total = np.nansum(blocks, axis=(1, 3))
    return np.where(count > 0, total / np.maximum(count, 1), np.nan).astype(np.float32)
