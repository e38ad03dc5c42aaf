"""Finding stars on a mosaic frame without demosaicing it.

The frame, less its sky and in units of each plane's noise, is filtered with a difference of two Gaussians:
the narrow one gathers the light of a star over all planes, the wide one takes off whatever varies slowly, so
that gradients and nebulae leave nothing. Local maxima above the threshold are candidates.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

__all__ = ["candidates", "filter_noise"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]

WIDE = 2.5
"""Width of the wide Gaussian over that of the narrow one."""

BORDER = 4
"""Pixels at the sides of a frame where no star is looked for."""

BAND_ROWS = 512
"""Rows that are filtered at a time."""


def _gaussian(sigma: float) -> Float64:
    radius = int(np.ceil(3 * sigma))
    profile: Float64 = np.exp(-0.5 * (np.arange(-radius, radius + 1) / sigma) ** 2)
    profile /= profile.sum()
    return profile


@njit(cache=True, nogil=True)
def _smoothed(image: Float32, profile: Float64) -> Float32:
    ny, nx = image.shape
    r = profile.size // 2
    rows = np.zeros((ny, nx), dtype=np.float32)
    for y in range(ny):
        for k in range(-r, r + 1):
            weight = np.float32(profile[k + r])
            for x in range(max(0, -k), min(nx, nx - k)):
                rows[y, x] += weight * image[y, x + k]
    out = np.zeros((ny, nx), dtype=np.float32)
    for y in range(ny):
        for k in range(max(-r, -y), min(r, ny - 1 - y) + 1):
            weight = np.float32(profile[k + r])
            for x in range(nx):
                out[y, x] += weight * rows[y + k, x]
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


@njit(cache=True, nogil=True)
def _maxima(
    image: Float32, threshold: float, first: int, last: int, most: int
) -> tuple[Float64, Float64, Float64]:
    """Local maxima in the rows from ``first`` up to ``last``, not near the sides."""
    border, nx = BORDER, image.shape[1]
    xs, ys, peaks = np.empty(most), np.empty(most), np.empty(most)
    n = 0
    for y in range(first, last):
        for x in range(border, nx - border):
            v = image[y, x]
            if v < threshold:
                continue
            top = True
            for dy in range(-2, 3):
                for dx in range(-2, 3):
                    other = image[y + dy, x + dx]
                    if other > v or (other == v and (dy < 0 or (dy == 0 and dx < 0))):
                        top = False
                        break
                if not top:
                    break
            if top and n < most:
                xs[n], ys[n], peaks[n] = x, y, v
                n += 1
    return xs[:n], ys[:n], peaks[:n]


def candidates(snr_image: Float32, sigma_px: float, threshold: float) -> tuple[Float64, Float64, Float64]:
    """Whole-pixel positions of star candidates, brightest first.

    Parameters
    ----------
    snr_image : (ny, nx) float32
        Mosaic frame, sky removed, every sample in units of its plane's noise; no NaN.
    sigma_px : float
        Width of the stars looked for (standard deviation of a Gaussian), pixels.
    threshold : float
        In sigma of the filtered image.

    Returns
    -------
    x, y, significance : (n,) float64
        Positions in pixels and filtered peak in sigma.

    Examples
    --------
    >>> frame = np.zeros((40, 50), np.float32)
    >>> yy, xx = np.mgrid[:40, :50]
    >>> frame += 30 * np.exp(-0.5 * ((xx - 20) ** 2 + (yy - 15) ** 2) / 1.4**2).astype(np.float32)
    >>> x, y, _ = candidates(frame, 1.4, 5.0)
    >>> x.tolist(), y.tolist()
    ([20.0], [15.0])
    """
    ny = len(snr_image)
    narrow, wide, noise = _gaussian(sigma_px), _gaussian(WIDE * sigma_px), filter_noise(sigma_px)
    found = [(np.empty(0), np.empty(0), np.empty(0))]
    # Bands of rows, with as many more on each side as the filter and the search for maxima reach.
    reach = wide.size // 2 + 2
    for y0 in range(BORDER, ny - BORDER, BAND_ROWS):
        y1 = min(y0 + BAND_ROWS, ny - BORDER)
        low = max(0, y0 - reach)
        rows = snr_image[low : y1 + reach]
        image = _smoothed(rows, narrow) - _smoothed(rows, wide)
        # A frame of noise has about one maximum in thirty pixels; stars never come near that.
        x, y, peak = _maxima(image, threshold * noise, y0 - low, y1 - low, max(1000, rows.size // 25))
        found.append((x, y + low, peak))
    x, y, peak = (np.concatenate(part) for part in zip(*found, strict=True))
    order = np.argsort(-peak, kind="stable")
    return x[order], y[order], peak[order] / noise
