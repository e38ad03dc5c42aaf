"""Whether two frames hold the same exposure: noise never repeats, whatever was done to the numbers since."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["AT_ONCE", "COUNT", "SIDE", "detail", "likeness", "likenesses"]

Float32Array = npt.NDArray[np.float32]
Float64Array = npt.NDArray[np.float64]
Array = npt.NDArray[np.floating]

COUNT = 4
"""Patches along each side of a frame."""
SIDE = 48
CLIP = 2.5
"""Detail is cut at this many times its scatter, so that stars and hot samples, which do repeat, say little."""
FEWEST = 1000
AT_ONCE = 32
"""Details that are held against as many others at once, so that memory stays bounded: 70 MB."""
AS_IT_IS, BACK = slice(None), slice(None, None, -1)
WAYS = (
    ((AS_IT_IS, AS_IT_IS, AS_IT_IS, AS_IT_IS), ""),
    ((BACK, AS_IT_IS, BACK, AS_IT_IS), "mirrored"),
    ((AS_IT_IS, BACK, AS_IT_IS, BACK), "mirrored"),
    ((BACK, BACK, BACK, BACK), "turned"),
)
"""How a frame is laid on another."""


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
    found = ((_correlation(one, other[turned]), way) for turned, way in WAYS)
    return max(found, key=lambda each: each[0])


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


def likenesses(some: Sequence[Float32Array], others: Sequence[Float32Array]) -> Float32Array:
    """Each of some details against each of others, as `likeness`, to 0.001: sums are those of matrix products.

    Parameters
    ----------
    some, others : sequence of k and of m float32 arrays
        From `detail`. Memory is that of 13 times ``some`` and of three times `AT_ONCE` others.

    Returns
    -------
    (k, m) float32
    """
    turned = _sums_of([one[way] for way, _ in WAYS for one in some])
    starts = range(0, len(others), AT_ONCE)
    found = [_correlations(turned, _sums_of(others[start : start + AT_ONCE])) for start in starts]
    return np.asarray(np.hstack(found).reshape(len(WAYS), len(some), len(others)).max(axis=0))


@dataclass(frozen=True, slots=True)
class _Sums:
    """Details one by one, 0 where unknown (k, samples), and sums over them and their squares (k,)."""

    values: Float32Array
    known: Float32Array | None
    """1 where known, 0 elsewhere; None: all are."""
    total: Array
    square: Array


def _sums_of(details: Sequence[Float32Array]) -> _Sums:
    flat = np.stack(details).reshape(len(details), -1)
    known = np.isfinite(flat)
    whole = bool(known.all())
    flat = flat if whole else np.where(known, flat, np.float32(0.0))
    square = np.array([(row * row).sum() for row in flat], dtype=np.float32)
    return _Sums(flat, None if whole else known.astype(np.float32), flat.sum(axis=1), square)


def _correlations(one: _Sums, other: _Sums) -> Float32Array:
    """(k, m) correlations over the samples that are known in both; 0 where these are few or all alike."""
    x, y = one.values, other.values
    if one.known is None and other.known is None:
        count: Array = np.full((1, 1), x.shape[1], dtype=np.float32)
        of_x, of_y, square_x, square_y = one.total[:, None], other.total, one.square[:, None], other.square
    else:
        known_x = np.ones_like(x) if one.known is None else one.known
        known_y = np.ones_like(y) if other.known is None else other.known
        count, of_x, of_y = known_x @ known_y.T, x @ known_y.T, known_x @ y.T
        square_x, square_y = (x * x) @ known_y.T, known_x @ (y * y).T
    count = np.maximum(count, np.float32(1.0))
    norm = (square_x - of_x**2 / count) * (square_y - of_y**2 / count)
    found = (x @ y.T - of_x * of_y / count) / np.sqrt(np.maximum(norm, 1e-12))
    return np.where((norm > 0) & (count >= FEWEST), found, np.float32(0.0)).astype(np.float32)
