"""How fine detail may be that sharpening brings out: as fine as the two half stacks show alike."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from fourlight.core.gaps import fill_gaps
from fourlight.core.resolution import ONE_SEVENTH, resolution
from fourlight.core.ringsums import Net, RingSums

__all__ = ["finest_confirmed"]

Float32 = npt.NDArray[np.float32]

WINDOW_PX, STEP_PX = 128, 96
"""Side of the windows that are looked at, and from one to the next."""
WINDOW_SHARE = 0.264
"""Independent Fourier pixels of a Hann window of two dimensions: squared mean of its square over that of its fourth
power."""
MOST_SIGMA = 1000.0
"""Light over its noise beyond which more of it counts no more, so that no single star decides."""
CLEAR_PX = 12.0
"""Distance from full pixels and gaps over which the rest comes to count in full."""


def finest_confirmed(pair: tuple[Float32, Float32], variance: Float32, full: float) -> float:
    """Frequency up to which two halves show the same detail where light is strong, cycles per pixel.

    Fourier ring correlation of light over its error, down to one seventh. It ends where the correlation first falls,
    whatever comes beyond: patterns of the samples' places lie there, which halves may show alike, or one as the
    other's negative. Nothing finer than three pixels is claimed. NaN where not even the coarsest detail is confirmed
    with its error taken off, which noise alone passes once in forty times.

    Parameters
    ----------
    pair : two (ny, nx) float32
        Half stacks; NaN where nothing covers.
    variance : (ny, nx) float32
        Variance of their mean.
    full : float
        Level from which pixels are full; they and what is near are left out.
    """
    ny, nx = variance.shape
    sums = RingSums(Net.of((min(ny, WINDOW_PX), min(nx, WINDOW_PX))))
    if min(sums.net.shape) < 16:
        return float("nan")
    hann = np.outer(*(np.hanning(side + 2)[1:-1] for side in sums.net.shape)).astype(np.float32)
    nothing = np.zeros((sums.net.shape[0], sums.net.shape[1] // 2 + 1), np.float32)
    for cut in _windows((ny, nx), sums.net.shape):
        first, second = (half[cut] for half in pair)
        light = _weighed((first, second), variance[cut], full)
        if light is not None:
            sums.add(light[0] * hann, light[1] * hann, nothing)
    if not sums.windows:
        return float("nan")
    found, low, _ = resolution(sums.rings(WINDOW_SHARE * sums.windows), ONE_SEVENTH)
    return found if np.isfinite(low) else float("nan")


def _windows(shape: tuple[int, int], side: tuple[int, int]) -> Iterator[tuple[slice, slice]]:
    """Windows of one size that cover a picture."""
    starts = [
        np.linspace(0, length - own, 1 + -(-(length - own) // STEP_PX)).round().astype(int).tolist()
        for length, own in zip(shape, side, strict=True)
    ]
    return ((slice(y, y + side[0]), slice(x, x + side[1])) for y in starts[0] for x in starts[1])


def _weighed(pair: tuple[Float32, Float32], variance: Float32, full: float) -> tuple[Float32, Float32] | None:
    """Both halves over the error of what they show, 0 at full pixels; None where little is left."""
    with np.errstate(invalid="ignore"):
        clear = np.isfinite(pair[0]) & np.isfinite(pair[1]) & (variance > 0)
        clear &= (pair[0] < full) & (pair[1] < full)
    if clear.mean() < 0.5:
        return None
    level = np.median(pair[0][clear]), np.median(pair[1][clear])
    one, other = (fill_gaps(half) - np.float32(own) for half, own in zip(pair, level, strict=True))
    error = np.where(clear, 2 * variance, 1) + np.square(0.5 * (one + other) / np.float32(MOST_SIGMA))
    weight = (1 / np.sqrt(error)).astype(np.float32)
    if not clear.all():
        weight *= np.clip(ndimage.distance_transform_edt(clear) / CLEAR_PX, 0, 1).astype(np.float32)
    return one * weight, other * weight
