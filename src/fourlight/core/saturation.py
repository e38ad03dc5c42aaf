"""The level at which samples are full, seen as a pile of equal values at the end of their distribution."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import ndimage

__all__ = ["bounds", "full_level"]

_BIN = 0.005
"""Width of a bin as a share of the highest value: full samples of one sensor differ by less."""
_BEFORE = 20
_FEWEST = 10
_PILE = 8.0
"""A pile holds this many times the mean of the bins before it; star images thin out towards bright values."""
_FLAT = 0.97
"""Least share of the light of a pixel that its neighbours have on the flat top of a full star; those of a star that is
not full have less, unless it is wider than ten pixels."""
_REACH = 2
"""Pixels beyond a flat top to which what holds for it is carried, and from which light near by is taken."""
_BESIDE = 4
"""Pixels around light that may be full in which a fit may fall too low."""


def full_level(values: npt.ArrayLike, usual: float | None = None) -> tuple[float, int] | None:
    """Lowest level of the pile of full samples at the bright end, and how many are in it.

    Parameters
    ----------
    values : array_like
        Samples of one or more frames, ADU; values that are not finite are left out. With ``usual`` only those above
        it and above half of the highest are needed.
    usual : float, optional
        Level of ordinary samples, above which full ones lie by a factor of two or more; None: the median of ``values``.

    Returns
    -------
    (level, count) or None
        None where no pile stands out, as in frames without a full sample.

    Examples
    --------
    >>> stars = 1000.0 + 1e6 / np.arange(20, 5000)
    >>> full_level(stars) is None
    True
    >>> full_level(np.minimum(stars, 13583))
    (13583.0, 60)
    """
    flat = np.asarray(values, dtype=np.float64).ravel()
    flat = flat[np.isfinite(flat)]
    if flat.size < _FEWEST:
        return None
    top, middle = float(flat.max()), float(np.median(flat)) if usual is None else usual
    if top <= max(2 * middle, 0.0):
        return None
    bright = flat[flat > max(middle, top / 2)]
    edges = np.arange(top * (1 + _BIN / 2), top / 2, -top * _BIN)[::-1]
    counts, edges = np.histogram(bright, bins=edges)
    for i in range(len(counts) - 1, _BEFORE, -1):
        above = int(counts[i + 1 :].sum())
        before = float(counts[i - _BEFORE : i].mean())
        if above > max(counts[i], _FEWEST):
            return None
        if counts[i] >= max(_FEWEST, _PILE * before):
            pile = bright[(bright >= edges[i]) & (bright <= edges[i + 1])]
            return float(np.percentile(pile, 2)), int(counts[i])
    return None


def bounds(
    plane: npt.NDArray[np.float32], full: float
) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.float32]] | None:
    """Least and most light that there can be beside full samples, over which a fit would ripple.

    Beside light that may be full the least is the least that the plane has near by; on and beside the flat tops of
    full stars the most is the most that it has near by.

    Parameters
    ----------
    plane : (ny, nx) float32
        Robust mean of what samples near each pixel hold; NaN where there is none.
    full : float
        Level from which samples may be full.

    Returns
    -------
    two (ny, nx) float32, or None
        -inf and +inf away from such places; None where there is none.

    Examples
    --------
    >>> star = np.minimum(100 * np.exp(-0.1 * (np.arange(9) - 4.0) ** 2)[:, None] * np.ones(9), 50).astype(np.float32)
    >>> least, most = bounds(star, 48.0)
    >>> most[4].tolist() == [50.0] * 9, bool(least[1, 4] == star[0, 4]), bounds(star, 60.0) is None
    (True, True, True)
    """
    known = np.isfinite(plane)
    light = np.where(known, plane, np.float32(-np.inf))
    if not (light >= full).any():
        return None
    side = 2 * _REACH + 1
    lowest = ndimage.minimum_filter(np.where(known, plane, np.float32(np.inf)), side)
    beside = ndimage.maximum_filter(light >= full, 2 * _BESIDE + 1) & np.isfinite(lowest)
    cross = ndimage.generate_binary_structure(2, 1)
    flat = (light >= full) & (ndimage.minimum_filter(light, footprint=cross) >= _FLAT * light)
    highest = ndimage.maximum_filter(np.where(flat, light, np.float32(-np.inf)), side)
    least = np.where(beside, lowest, np.float32(-np.inf))
    return least, np.where(ndimage.maximum_filter(flat, side), highest, np.float32(np.inf))
