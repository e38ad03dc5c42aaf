"""Whether two frames hold the same exposure: noise never repeats, whatever was done to the numbers since."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["COUNT", "SIDE", "detail", "likeness"]

Float32Array = npt.NDArray[np.float32]
Float64Array = npt.NDArray[np.float64]

COUNT = 4
"""Patches along each side of a frame."""
SIDE = 48
CLIP = 2.5
"""Detail is cut at this many times its scatter, so that stars and hot samples, which do repeat, say little."""
FEWEST = 1000


def detail(patches: Float32Array) -> Float32Array:
    """Small-scale structure of patches, in units of its scatter: each sample less the mean of two of its plane.

    Parameters
    ----------
    patches : (COUNT, COUNT, SIDE, SIDE) float32
        Squares of a frame at places that mirroring the frame maps on each other; NaN where undefined.

    Returns
    -------
    (COUNT, COUNT, SIDE, SIDE - 4) float32
    """
    rest = patches[..., 2:-2] - (patches[..., :-4] + patches[..., 4:]) / 2
    out = np.full(rest.shape, np.nan, dtype=np.float32)
    for y, x in np.ndindex(2, 2):
        part = rest[..., y::2, x::2]
        known = np.abs(part[np.isfinite(part)])
        scatter = (1.4826 * float(np.median(known)) or float(known.std())) if known.size else 0.0
        if scatter > 0:
            out[..., y::2, x::2] = np.clip(part / scatter, -CLIP, CLIP)
    return out


def likeness(one: Float32Array, other: Float32Array) -> tuple[float, str]:
    """Correlation of two details, of the four ways to lay one on the other the best, and that way.

    Independent exposures have what the sensor repeats in common; that is most of the detail only in bright flats.

    Parameters
    ----------
    one, other : float32
        From `detail`.

    Returns
    -------
    float
        0 where fewer than 1000 samples are known in both.
    str
        '' as they are, 'mirrored', or 'turned'.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> frame = rng.normal(size=(COUNT, COUNT, SIDE, SIDE)).astype(np.float32)
    >>> value, way = likeness(detail(frame), detail(7 + 2 * frame[::-1, :, ::-1]))
    >>> round(value, 3), way
    (1.0, 'mirrored')
    >>> abs(likeness(detail(frame), detail(rng.normal(size=frame.shape).astype(np.float32)))[0]) < 0.05
    True
    """
    ways = (
        (other, ""),
        (other[::-1, :, ::-1, :], "mirrored"),
        (other[:, ::-1, :, ::-1], "mirrored"),
        (other[::-1, ::-1, ::-1, ::-1], "turned"),
    )
    return max(((_correlation(one, turned), way) for turned, way in ways), key=lambda found: found[0])


def _correlation(one: Float32Array, other: Float32Array) -> float:
    both = np.isfinite(one) & np.isfinite(other)
    if both.sum() < FEWEST:
        return 0.0
    a, b = one[both].astype(np.float64), other[both].astype(np.float64)
    a, b = a - a.mean(), b - b.mean()

    def product(x: Float64Array, y: Float64Array) -> float:
        return float(np.einsum("i,i", x, y))  # without threads, which cost more than so short a sum

    norm = float(np.sqrt(product(a, a) * product(b, b)))
    return product(a, b) / norm if norm > 0 else 0.0
