"""Finding stars on a mosaic frame without demosaicing it.

The frame, less its sky and in units of each plane's noise, is filtered with a difference of two Gaussians:
the narrow one gathers the light of a star over all planes, the wide one takes off whatever varies slowly, so
that gradients and nebulae leave nothing. Local maxima above the threshold are candidates.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from fourlight.core.skycells import Excess

__all__ = ["candidates", "filter_noise"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]

WIDE = 2.5
"""Width of the wide Gaussian over that of the narrow one."""

BORDER = 4
"""Pixels at the sides of a frame where no star is looked for."""

BAND_ROWS = 64
"""Rows that are filtered at a time: few enough to stay in the cache of a processor."""

_AROUND = 2
"""Distance over which a maximum is the largest."""

_PIECE = 64
"""Samples that are compared with the threshold together."""


def _gaussian(sigma: float) -> Float64:
    radius = int(np.ceil(3 * sigma))
    profile: Float64 = np.exp(-0.5 * (np.arange(-radius, radius + 1) / sigma) ** 2)
    profile /= profile.sum()
    return profile


def _half(sigma: float) -> Float32:
    """Weights of a Gaussian from its middle outwards."""
    profile = _gaussian(sigma)
    return profile[profile.size // 2 :].astype(np.float32)


@njit(cache=True, nogil=True, error_model="numpy")
def _smooth(
    image: Float32,
    start: tuple[int, int],
    step: tuple[int, int],
    weights: Float32,
    out: Float32,
    margin: int,
    add: bool,
) -> None:
    """Write, or add, the smoothed image from the place ``start`` on to ``out``, first and last columns left alone.

    The step to the next weight is ``(1, 0)`` down the columns or ``(0, 1)`` along the rows.
    """
    nx, last = out.shape[1] - 2 * margin, len(weights) - 1
    (y0, x0), (down, along) = start, step
    for y in range(len(out)):
        to, middle, weight = out[y, margin : margin + nx], image[y0 + y, x0 : x0 + nx], weights[0]
        if not add:
            to[:] = 0.0
        for x in range(nx):
            to[x] += weight * middle[x]
        # Two pairs at a time: half as often as one by one, the sums so far are read and written.
        for near in range(1, last + 1, 2):
            far = min(near + 1, last)
            one, two = weights[near], weights[far] if far > near else np.float32(0.0)
            a = image[y0 + y - near * down, x0 - near * along :]
            b = image[y0 + y + near * down, x0 + near * along :]
            c = image[y0 + y - far * down, x0 - far * along :]
            d = image[y0 + y + far * down, x0 + far * along :]
            for x in range(nx):
                to[x] += one * (a[x] + b[x]) + two * (c[x] + d[x])


class _Filter:
    """The narrow Gaussian less the wide one, band by band in the same memory; 0 counts beyond the frame."""

    def __init__(self, frame: Excess, sigma: float) -> None:
        self.frame, self.narrow, self.wide = frame, _half(sigma), _half(WIDE * sigma)
        self.reach = len(self.wide) - 1
        rows, nx = BAND_ROWS + 2 * _AROUND, frame.image.shape[1]
        self.excess = np.empty((rows + 2 * self.reach, nx), dtype=np.float32)
        self.down = np.zeros((rows, nx + 2 * self.reach), dtype=np.float32)
        self.out = np.empty((rows, nx), dtype=np.float32)

    def band(self, y0: int, y1: int) -> Float32:
        """Filtered rows from ``y0`` up to ``y1``; they last until the next call."""
        n, reach = y1 - y0, self.reach
        excess, down, out = self.excess[: n + 2 * reach], self.down[:n], self.out[:n]
        self.frame.fill(y0 - reach, excess, 0.0)
        _smooth(excess, (reach, 0), (1, 0), self.narrow, down, reach, False)
        _smooth(down, (0, reach), (0, 1), self.narrow, out, 0, False)
        _smooth(excess, (reach, 0), (1, 0), self.wide, down, reach, False)
        _smooth(down, (0, reach), (0, 1), -self.wide, out, 0, True)
        return out


def filter_noise(sigma_px: float) -> float:
    """Standard deviation of the filtered image for white noise of standard deviation one.

    >>> 0.15 < filter_noise(1.3) < 0.25
    True
    """
    narrow, wide = _gaussian(sigma_px), _gaussian(WIDE * sigma_px)
    pad = (wide.size - narrow.size) // 2
    narrow = np.pad(narrow, pad)
    kernel = np.outer(narrow, narrow) - np.outer(wide, wide)
    return float(np.sqrt((kernel**2).sum()))


@njit(cache=True, nogil=True, error_model="numpy")
def _is_top(image: Float32, y: int, x: int) -> bool:
    """Whether no sample around is larger, and none before it as large."""
    value = image[y, x]
    for j in range(y - _AROUND, y + _AROUND + 1):
        for i in range(x - _AROUND, x + _AROUND + 1):
            other = image[j, i]
            if other > value or (other == value and (j < y or (j == y and i < x))):
                return False
    return True


@njit(cache=True, nogil=True, error_model="numpy")
def _maxima(image: Float32, threshold: float) -> tuple[Float64, Float64, Float64]:
    """Places x, y and values of the local maxima above the threshold, sides left out."""
    ny, nx = image.shape
    # Two maxima are at least three pixels apart along one axis.
    most = (ny // (_AROUND + 1) + 1) * (nx // (_AROUND + 1) + 1)
    xs, ys, peaks = np.empty(most), np.empty(most), np.empty(most)
    level, n = np.float32(threshold), 0
    for y in range(_AROUND, ny - _AROUND):
        for first in range(BORDER, nx - BORDER, _PIECE):
            last = min(first + _PIECE, nx - BORDER)
            piece, any_above = image[y, first:last], False
            for i in range(len(piece)):
                any_above |= piece[i] >= level
            if not any_above:
                continue
            for x in range(first, last):
                if image[y, x] >= level and _is_top(image, y, x):
                    xs[n], ys[n], peaks[n] = x, y, image[y, x]
                    n += 1
    return xs[:n], ys[:n], peaks[:n]


def candidates(
    frame: Excess, sigma_px: float, threshold: float, *, every: int = 1
) -> tuple[Float64, Float64, Float64]:
    """Whole-pixel positions of star candidates, brightest first.

    Parameters
    ----------
    frame : Excess
        Mosaic frame less its sky; unusable samples count as sky.
    sigma_px : float
        Width of the stars looked for (standard deviation of a Gaussian), pixels.
    threshold : float
        In sigma of the filtered image.
    every : int
        Only every so many bands of `BAND_ROWS` rows are looked at.

    Returns
    -------
    x, y, significance : (n,) float64
        Positions in pixels and filtered peak in sigma.

    Examples
    --------
    >>> frame = np.zeros((40, 50), np.float32)
    >>> yy, xx = np.mgrid[:40, :50]
    >>> frame += 30 * np.exp(-0.5 * ((xx - 20) ** 2 + (yy - 15) ** 2) / 1.4**2).astype(np.float32)
    >>> dark, cell = np.zeros((4, 1, 1), np.float32), np.array([[0, 1], [2, 3]])
    >>> x, y, _ = candidates(Excess.above(frame, dark, cell, np.ones(4)), 1.4, 5.0)
    >>> x.tolist(), y.tolist()
    ([20.0], [15.0])
    """
    ny = len(frame.image)
    filtered, noise = _Filter(frame, sigma_px), filter_noise(sigma_px)
    found: list[tuple[Float64, ...]] = [(np.empty(0), np.empty(0), np.empty(0))]
    for y0 in range(BORDER, ny - BORDER, every * BAND_ROWS):
        y1 = min(y0 + BAND_ROWS, ny - BORDER)
        x, y, peak = _maxima(filtered.band(y0 - _AROUND, y1 + _AROUND), threshold * noise)
        found.append((x, y + (y0 - _AROUND), peak))
    x, y, peak = (np.concatenate(part) for part in zip(*found, strict=True))
    order = np.argsort(-peak, kind="stable")
    return x[order], y[order], peak[order] / noise
