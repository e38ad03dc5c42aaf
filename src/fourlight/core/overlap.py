"""How the drop of one sample falls on the pixels of the output grid.

A sample of a frame is a square drop of side ``pixfrac`` frame pixels; the map to the output grid turns it
into a parallelogram. Its exact overlap with the pixels around its centre depends only on the linear part of
the map and on where within a pixel the centre falls, so one table serves all samples of a frame
(Fruchter & Hook 2002, the square kernel).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

__all__ = ["PHASES", "overlap_table", "span"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]

PHASES = 256
"""Positions per pixel and axis that a table distinguishes; the worst shift is 1/512 pixel. A stack then differs
from one with exact overlaps by less than 0.01 sigma in 99 of 100 pixels (measured), with half as many by 0.016."""


@njit(cache=True, nogil=True)
def _clip(p: Float64, p2: Float64, n: int, limit: float, upper: bool, q: Float64, q2: Float64) -> int:
    """Cut a convex polygon where its first coordinate is ``limit``; the number of corners written to q, q2."""
    m = 0
    for i in range(n):
        j = (i + 1) % n
        inside = p[i] <= limit if upper else p[i] >= limit
        next_inside = p[j] <= limit if upper else p[j] >= limit
        if inside:
            q[m], q2[m] = p[i], p2[i]
            m += 1
        if inside != next_inside:
            t = (limit - p[i]) / (p[j] - p[i])
            q[m], q2[m] = p[i] + t * (p[j] - p[i]), p2[i] + t * (p2[j] - p2[i])
            m += 1
    return m


@njit(cache=True, nogil=True)
def _area(corners_x: Float64, corners_y: Float64, left: float, low: float, work: Float64) -> float:
    """Area of a convex quadrilateral inside the unit pixel whose lower corner is ``(left, low)``.

    ``work`` (4, 12) is scratch space.
    """
    ax, ay, bx, by = work[0], work[1], work[2], work[3]
    n = corners_x.size
    for k in range(n):
        ax[k], ay[k] = corners_x[k], corners_y[k]
    n = _clip(ax, ay, n, left, False, bx, by)
    n = _clip(bx, by, n, left + 1.0, True, ax, ay)
    n = _clip(ay, ax, n, low, False, by, bx)
    n = _clip(by, bx, n, low + 1.0, True, ay, ax)
    total = 0.0
    for i in range(n):
        j = (i + 1) % n
        total += ax[i] * ay[j] - ax[j] * ay[i]
    return abs(total) / 2


def span(linear: Float64, pixfrac: float) -> int:
    """Output pixels along each axis that a drop may touch.

    >>> span(np.eye(2), 1.0), span(2.5 * np.eye(2), 1.0)
    (2, 4)
    """
    extent = pixfrac * float(np.abs(linear).sum(axis=1).max())
    return max(1, int(np.ceil(extent - 1e-9))) + 1


@njit(cache=True, nogil=True)
def _fill(table: Float32, linear: Float64, pixfrac: float) -> None:
    phases, n = table.shape[0], table.shape[2]
    sx, sy = np.array([-1.0, 1.0, 1.0, -1.0]), np.array([-1.0, -1.0, 1.0, 1.0])
    bx = 0.5 * pixfrac * (linear[0, 0] * sx + linear[0, 1] * sy)
    by = 0.5 * pixfrac * (linear[1, 0] * sx + linear[1, 1] * sy)
    whole = pixfrac * pixfrac * abs(linear[0, 0] * linear[1, 1] - linear[0, 1] * linear[1, 0])
    shift = 0.5 * (n - 2)
    work = np.empty((4, 12))
    for j in range(phases):
        fy = (j + 0.5) / phases + shift
        for i in range(phases):
            fx = (i + 0.5) / phases + shift
            for v in range(n):
                for u in range(n):
                    table[i, j, v, u] = _area(bx + fx, by + fy, u - 0.5, v - 0.5, work) / whole


def overlap_table(linear: Float64, pixfrac: float) -> Float32:
    """Share of a drop that falls on each pixel it may touch.

    The first of the n pixels along an axis that a drop at position x may touch is ``floor(x - (n - 2) / 2)``;
    the phase is what that floor cuts off, from 0 to 1 in `PHASES` steps.

    Parameters
    ----------
    linear : (2, 2) float64
        Linear part of the map from frame to output pixels.
    pixfrac : float
        Side of the drop in frame pixels, > 0.

    Returns
    -------
    (PHASES, PHASES, n, n) float32
        Indexed by phase in x and y, then by pixel in y and x; n is `span`. Each entry sums to one. Samples in a row of
        a frame that is turned a little differ in y: what they need stands together.

    Examples
    --------
    >>> table = overlap_table(np.eye(2), 1.0)
    >>> table.shape, bool(np.allclose(table.sum(axis=(2, 3)), 1.0, atol=1e-5))
    ((256, 256, 2, 2), True)
    """
    n = span(linear, pixfrac)
    table = np.empty((PHASES, PHASES, n, n), dtype=np.float32)
    _fill(table, np.ascontiguousarray(linear, dtype=np.float64), pixfrac)
    return table
