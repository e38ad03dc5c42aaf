"""A plane on another grid: cubic interpolation, light per pixel of the new grid."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from fourlight.core import bends

__all__ = ["regridded"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]

MARGIN = 12
"""Pixels around what is needed, beyond which a cubic spline does not feel the edge (0.27 per pixel)."""


def regridded(plane: Float32, bend: Float64, rows: slice, columns: slice, *, power: bool = False) -> Float32:
    """Part of a new grid, from a plane on another.

    Parameters
    ----------
    plane : (ny, nx) float32
        NaN where undefined; may be a mapped file, of which what is needed is read.
    bend : (2, 4, 4) float64
        Map from pixels of the new grid to those of the plane, see `fourlight.core.bends`.
    rows, columns : slice
        The part.
    power : bool
        The plane holds variances of sums over areas: over the same area of sky these stay, so that they grow with the
        area of a pixel and not with its square.

    Returns
    -------
    (rows, columns) float32
        NaN beyond the plane, and beside undefined pixels of it.

    Notes
    -----
    Light is multiplied by the area of a new pixel in old ones, and interpolated, not averaged: a grid that is coarser
    by more than a half misses light between its pixels.
    """
    y, x = (np.arange(part.start, part.stop, dtype=np.float64) for part in (rows, columns))
    u, v = bends.apply(bend, *np.meshgrid(x, y))
    area = abs(float(np.linalg.det(_slope(bend, float(x.mean()), float(y.mean())))))
    ny, nx = plane.shape
    left, right = max(int(u.min()) - MARGIN, 0), min(int(u.max()) + MARGIN + 2, nx)
    top, bottom = max(int(v.min()) - MARGIN, 0), min(int(v.max()) + MARGIN + 2, ny)
    out = np.full(u.shape, np.nan, dtype=np.float32)
    if right - left < 2 or bottom - top < 2:
        return out
    part = np.asarray(plane[top:bottom, left:right], dtype=np.float32)
    known = np.isfinite(part)
    filled = np.where(known, part, np.median(part[known]) if known.any() else 0)
    place = np.stack([v - top, u - left])
    # Variances must not swing below zero beside a star.
    light = ndimage.map_coordinates(filled, place, order=1 if power else 3, mode="nearest")
    whole = ndimage.map_coordinates(known.astype(np.float32), place, order=1, mode="constant", cval=0.0)
    good = (whole > 0.999) & (u >= 0) & (u <= nx - 1) & (v >= 0) & (v <= ny - 1)
    out[good] = light[good] * np.float32(area)
    return out


def _slope(bend: Float64, x: float, y: float) -> Float64:
    """Derivative (2, 2) of a map at a place."""
    step = 0.5
    ends = [
        np.array(bends.apply(bend, np.array([x + dx, x - dx]), np.array([y + dy, y - dy])))
        for dx, dy in ((step, 0.0), (0.0, step))
    ]
    return np.stack([each[:, 0] - each[:, 1] for each in ends], axis=1)
