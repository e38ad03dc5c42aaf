"""Samples that hold one value over a long way, which no sensor gives: its noise is nowhere exactly nothing."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["constant_rows", "filled_ends", "filled_parts", "runs"]

Float32Array = npt.NDArray[np.float32]

SHORTEST = 32
"""Least number of samples in a part of a row."""
PARTS = 16
END = 4
"""Samples of one value at the end of a row that a transfer has begun to fill."""
COMMON = 0.1
"""Share of ordinary samples at a value from which long runs of it are chance: coarse digits, or no light at all."""


def constant_rows(rows: Float32Array) -> Float32Array:
    """The value of each row that holds no other; NaN for all other rows.

    Parameters
    ----------
    rows : (n, nx) float32
        NaN where undefined: such samples are passed over.

    Returns
    -------
    (n,) float32

    Examples
    --------
    >>> constant_rows(np.float32([[7, 7, 7], [7, 8, 7], [7, np.nan, 7]]))
    array([ 7., nan,  7.], dtype=float32)
    """
    low = np.fmin.reduce(rows, axis=1)
    return np.where(low == np.fmax.reduce(rows, axis=1), low, np.float32(np.nan))


def runs(values: Float32Array) -> list[tuple[int, int, float]]:
    """First row, row after the last, and value of every run of equal values; NaN belongs to none.

    >>> runs(np.float32([np.nan, 0, 0, 5, np.nan]))
    [(1, 3, 0.0), (3, 4, 5.0)]
    """
    edges = np.flatnonzero(np.diff(values, prepend=np.nan, append=np.nan) != 0)
    pairs = zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True)
    return [(y0, y1, float(values[y0])) for y0, y1 in pairs if np.isfinite(values[y0])]


def filled_ends(row: Float32Array, value: float) -> bool:
    """Whether a row (nx,) begins or ends with some samples of one value: the row in which a transfer stopped."""
    return bool((row[:END] == value).all() or (row[-END:] == value).all())


def filled_parts(rows: Float32Array) -> tuple[float, float]:
    """Share of these samples that lie in parts of a row with one value only, and that value.

    Of the values found so, the one that covers most. The brightest sample's value is none (there samples are
    full), nor one that is common outside such parts (there is no light, or the digits are coarse).

    Parameters
    ----------
    rows : (n, nx) float32
        Rows spread over a frame, NaN where undefined.

    Returns
    -------
    share : float
        0 where there is nothing of the kind.
    value : float

    Examples
    --------
    >>> rows = np.random.default_rng(1).normal(500, 9, (40, 128)).astype(np.float32)
    >>> rows[:20, 32:96] = 0
    >>> filled_parts(rows)
    (0.25, 0.0)
    """
    side = max(SHORTEST, -(-rows.shape[1] // PARTS))
    cut = rows[:, : rows.shape[1] // side * side].reshape(-1, side)
    held = constant_rows(cut)
    values, counts = np.unique(held[np.isfinite(held)], return_counts=True)
    for value, count in sorted(zip(values, counts, strict=True), key=lambda pair: -int(pair[1])):
        ordinary = cut[held != value]
        highest = np.fmax.reduce(ordinary, axis=None) if ordinary.size else value
        if value < highest and np.mean(ordinary == value) < COMMON:
            return float(count / len(cut)), float(value)
    return 0.0, float("nan")
