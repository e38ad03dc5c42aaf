"""Ring correlation of two whole images in a few lines of scipy: slow, and independent of the sums over windows."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import fft

from fourlight.core.resolution import Rings

Float64 = npt.NDArray[np.float64]


def ring_correlation(
    first: npt.NDArray[np.floating], second: npt.NDArray[np.floating], weight: npt.NDArray[np.floating] | None = None
) -> Rings:  # fmt: skip
    """Correlation of two images by spatial frequency, up to half a cycle per pixel.

    Parameters
    ----------
    first, second : (ny, nx) float
        Independent images, finite; a smooth background is best taken off.
    weight : (ny, nx) float, optional
        0 to 1, smooth: what is left out, such as stars and the rim. None: a cosine rim of an eighth of each side.

    Returns
    -------
    Rings
        Rings are as wide as what the window leaves resolves in frequency, one Fourier pixel of the shorter side or
        more, so that their values are independent.

    Raises
    ------
    ValueError
        Images of different shapes, or smaller than 16 pixels.

    Examples
    --------
    >>> image = np.random.default_rng(1).normal(size=(64, 64))
    >>> bool(np.allclose(ring_correlation(image, 2 * image).value, 1))
    True
    """
    if first.shape != second.shape or min(first.shape) < 16:
        raise ValueError(
            f"two images of one shape, 16 pixels or more, are needed; not {first.shape}, {second.shape}"
        )
    ny, nx = first.shape
    weight = rim(first.shape) if weight is None else np.asarray(weight, dtype=np.float64)
    total = max(float(weight.sum()), 1e-30)
    one, other = (
        fft.rfft2((image - float((image * weight).sum()) / total) * weight)
        for image in (first.astype(np.float64), second.astype(np.float64))
    )
    radius = np.hypot(fft.fftfreq(ny)[:, None], fft.rfftfreq(nx)[None, :])
    twice = np.full(one.shape, 2.0)
    twice[:, 0] = 1.0
    if nx % 2 == 0:
        twice[:, -1] = 1.0
    share = float((weight**2).sum()) ** 2 / max(float((weight**4).sum()), 1e-30) / weight.size
    width = max(1, round(1 / np.sqrt(max(share, 1e-6))))
    rings = max(min(ny, nx) // (2 * width), 1)
    number = np.rint(radius * min(ny, nx) / width).astype(np.int64)
    inside = (number >= 1) & (number <= rings)

    def summed(values: Float64) -> Float64:
        return np.asarray(
            np.bincount(number[inside], (values * twice)[inside], rings + 1)[1:], dtype=np.float64
        )

    cross = summed((one * other.conj()).real)
    power = summed(np.abs(one) ** 2) * summed(np.abs(other) ** 2)
    pixels = summed(np.ones(one.shape))
    with np.errstate(invalid="ignore", divide="ignore"):
        value = cross / np.sqrt(power)
        frequency = summed(radius) / pixels
    return Rings(frequency, value, pixels * share)


def rim(shape: tuple[int, ...]) -> Float64:
    """(ny, nx) weights that fall to zero at the rim by a raised cosine over an eighth of each side."""
    lines = []
    for length in shape:
        near = np.minimum(np.arange(length) + 0.5, np.arange(length)[::-1] + 0.5) / max(length / 8, 1.0)
        lines.append(0.5 - 0.5 * np.cos(np.pi * np.clip(near, 0, 1)))
    return np.asarray(lines[0][:, None] * lines[1][None, :])
