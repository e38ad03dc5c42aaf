"""The starlet: an image as detail of growing size and a smooth rest, whose sum it is.

Isotropic undecimated wavelet of the B3 spline (Starck & Murtagh 2006, Astronomical Image and Data Analysis, section
2.3). Kernels go down an image row by row and keep the rows that they still need, which fit the cache.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt
from numba import njit

from fourlight.core.spare import Spare

__all__ = ["across", "add_finer", "down", "parted", "smooth_known", "smooth_step", "smoothed", "starlet"]

Float32 = npt.NDArray[np.float32]

ENOUGH_AROUND = 0.5
"""Share of the pixels around that has to be known, by their weight in the smooth light."""


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
def across(row: Float32, step: int, out: Float32) -> None:
    """Smooth along a row."""
    nx, reach = row.size, 2 * step
    inner = max(nx - 2 * reach, 0)
    _weighted(
        row[:inner],
        row[step : step + inner],
        row[reach : reach + inner],
        row[reach + step : reach + step + inner],
        row[2 * reach : 2 * reach + inner],
        out[reach : reach + inner],
    )
    for k in range(nx - inner):
        x = k if k < reach or inner == 0 else k + inner
        a, e = row[_mirrored(x - reach, nx)], row[_mirrored(x + reach, nx)]
        b, d = row[_mirrored(x - step, nx)], row[_mirrored(x + step, nx)]
        out[x] = np.float32(0.375) * row[x] + np.float32(0.25) * (b + d) + np.float32(0.0625) * (a + e)


@njit(cache=True, nogil=True)
def down(ring: Float32, y: int, ny: int, step: int, out: Float32) -> None:
    """Smooth down the columns at row ``y`` of ``ny``; ``ring`` holds row r as its row ``r % len(ring)``."""
    depth = len(ring)
    _weighted(
        ring[_mirrored(y - 2 * step, ny) % depth],
        ring[_mirrored(y - step, ny) % depth],
        ring[y % depth],
        ring[_mirrored(y + step, ny) % depth],
        ring[_mirrored(y + 2 * step, ny) % depth],
        out,
    )


@njit(cache=True, nogil=True)
def _part(image: Float32, step: int, smooth: Float32, detail: Float32) -> None:
    ny, nx = image.shape
    ring = np.empty((4 * step + 1, nx), dtype=np.float32)
    for t in range(ny + 2 * step):
        if t < ny:
            across(image[t], step, ring[t % len(ring)])
        y = t - 2 * step
        if y >= 0:
            down(ring, y, ny, step, smooth[y])
            if detail.size:
                for x in range(nx):
                    detail[y, x] = image[y, x] - smooth[y, x]


def smooth_step(image: Float32, scale: int, spare: Spare | None = None) -> Float32:
    """The image smoothed by the B3 spline (1, 4, 6, 4, 1)/16 with ``2**scale`` pixels between taps.

    Edges are mirrored about the last pixel. NaN spreads: see `fourlight.core.gaps.fill_gaps`.
    """
    out = (spare or Spare()).take(image.shape)
    _part(image, 2**scale, out, out[:0])
    return out


def smoothed(image: Float32, scales: int) -> Float32:
    """The image smoothed by so many scales, the finest first: what the starlet of so many leaves for its smooth rest.

    >>> image = np.eye(8, dtype=np.float32)
    >>> bool(np.array_equal(smoothed(image, 2), list(starlet(image, 2))[-1]))
    True
    """
    for scale in range(scales):
        image = smooth_step(image, scale)
    return image


def smooth_known(image: Float32, scales: int) -> Float32:
    """The image smoothed by so many scales, from the pixels that it has; NaN where they are fewer than half around.

    Halves of few lights have holes between the samples of a colour, which must not spread.

    >>> image = np.ones((16, 16), dtype=np.float32)
    >>> image[4, 4] = np.nan
    >>> bool(np.allclose(smooth_known(image, 2), 1.0))
    True
    """
    known = np.isfinite(image)
    if known.all():
        return smoothed(image, scales)
    share = smoothed(known.astype(np.float32), scales)
    total = smoothed(np.where(known, image, np.float32(0)), scales)
    return np.where(share > ENOUGH_AROUND, total / np.maximum(share, np.float32(1e-6)), np.float32(np.nan))


def parted(image: Float32, scale: int, spare: Spare) -> tuple[Float32, Float32]:
    """The image after `smooth_step`, and the detail that this takes away."""
    smooth, detail = spare.take(image.shape), spare.take(image.shape)
    _part(image, 2**scale, smooth, detail)
    return smooth, detail


def starlet(image: Float32, scales: int) -> Iterator[Float32]:
    """Detail of each scale, finest first, then the smooth rest; the sum of all is the image.

    >>> parts = list(starlet(np.eye(8, dtype=np.float32), 2))
    >>> len(parts), bool(np.allclose(sum(parts), np.eye(8), atol=1e-6))
    (3, True)
    """
    current = np.ascontiguousarray(image, dtype=np.float32)
    for scale in range(scales):
        current, detail = parted(current, scale, Spare())
        yield detail
    yield current


@njit(cache=True, nogil=True)
def add_finer(coarse: Float32, out: Float32) -> None:
    """Add an image known at every second row and column to one of all pixels, in place.

    Values between are those of the cubic through the four nearest, with weights (-1, 9, 9, -1)/16.
    """
    my, mx = coarse.shape
    ny, nx = out.shape
    mixed, near, far = np.empty(mx, dtype=np.float32), np.float32(9 / 16), np.float32(-1 / 16)
    for y in range(ny):
        row = coarse[y // 2]
        if y % 2:
            above, below = coarse[max(y // 2 - 1, 0)], coarse[min(y // 2 + 1, my - 1)]
            last = coarse[min(y // 2 + 2, my - 1)]
            for i in range(mx):
                mixed[i] = near * (row[i] + below[i]) + far * (above[i] + last[i])
            row = mixed
        for i in range(mx):
            out[y, 2 * i] += row[i]
        for i in range(nx // 2):
            a, c, d = row[max(i - 1, 0)], row[min(i + 1, mx - 1)], row[min(i + 2, mx - 1)]
            out[y, 2 * i + 1] += near * (row[i] + c) + far * (a + d)
