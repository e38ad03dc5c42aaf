"""Fitting stars straight to the mosaic samples: one position and shape, a flux and a sky level per plane.

Each star is fitted by itself (Levenberg-Marquardt), but `LANES` of them at a time: as soon as one is done, the next
takes its place.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from fourlight.core.starequations import WORK, eliminate, equations_of, set_star, solve, star_equations
from fourlight.core.starmodel import LANES, disc_room, disc_samples, level_fit, profile

__all__ = ["NPAR", "fit_stars"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]

NPAR = 13
"""x, y, a, b, c, then amplitude and sky level of each of the four planes."""

_MOST_STEPS = 15
_SETTLED = 0.03
"""Fall of chi-square below which a step is the last: what is left after it is far below the errors of the fit."""
_RISE = 1.0
"""By how much a good step may raise chi-square, because the weights move with the model."""
_FREE = 0.1
"""Damping above which small steps tell nothing."""

_LANE = np.dtype(
    [
        ("star", np.int64),  # -1: the lane is idle
        ("x0", np.int64),
        ("y0", np.int64),
        ("now", np.int64),  # which of two rows holds the best values; the other one is on trial
        ("steps", np.int64),
        ("free", np.float64),
        ("chi2", np.float64),
        ("damping", np.float64),
        ("start", np.float64, (2,)),
        ("common", np.float64, (2, 5)),  # shape a, b, c and place x, y from the middle pixel
        ("level", np.float64, (2, 4, 2)),  # amplitude and sky of each plane
        ("right", np.float64, (2, 4, 7)),
        ("full", np.float64, (2, 4, 7, 7)),
    ],
    align=True,
)


@njit(cache=True, nogil=True, error_model="numpy")
def _take(
    image: Float32, cell: Int64, x: float, y: float, shape: float, r: int, samples: Float64, light: Float64,
    lane: Any, k: int,
) -> bool:  # fmt: skip
    """Put a star with its start values in a lane; False where there are no samples around it."""
    lane.x0, lane.y0 = int(np.rint(x)), int(np.rint(y))
    lane.start[0], lane.start[1] = x - lane.x0, y - lane.y0
    trial, level = lane.common[0], lane.level[0]
    trial[0], trial[1], trial[2], trial[3], trial[4] = shape, 0.0, shape, lane.start[0], lane.start[1]
    count = 0
    for plane in range(4):
        n = disc_samples(image, cell, plane, lane.x0, lane.y0, r, samples[plane], k)
        profile(samples[plane], k, n, trial, light)
        level[plane, 0], _, level[plane, 1] = level_fit(light, samples[plane], k, n, 1.0, 0.0, 0.0)
        count += n
    lane.now, lane.steps, lane.damping, lane.chi2 = 1, 0, 1e-4, np.inf
    lane.free = max(count - NPAR, 1)
    return count > 0


@njit(cache=True, nogil=True, error_model="numpy")
def _try(
    samples: Float64, variance: Float64, poisson: float, lanes: Any, work: Float64, chi2: Float64
) -> None:
    """Equations and chi-square of all lanes at the values on trial."""
    chi2[:] = 0.0
    for plane in range(4):
        for k in range(LANES):
            lane, new = lanes[k], 1 - lanes[k].now
            level = lane.level[new, plane]
            set_star(work, k, lane.common[new], level[0], level[1], variance[plane])
        star_equations(samples[plane], poisson, work)
        for k in range(LANES):
            lane, new = lanes[k], 1 - lanes[k].now
            chi2[k] += equations_of(work, k, lane.full[new, plane], lane.right[new, plane])


@njit(cache=True, nogil=True, error_model="numpy")
def _step(lane: Any, matrix: Float64, change: Float64) -> float:
    """Fill the values on trial with those after a step; returns the fall of chi-square expected, < 0: no step."""
    now, new, more = lane.now, 1 - lane.now, 1 + lane.damping
    matrix[:] = 0.0
    change[:] = 0.0
    for plane in range(4):
        eliminate(lane.full[now, plane], lane.right[now, plane], lane.damping, matrix, change)
    if not solve(matrix, change):
        return -1.0
    gain = 0.0
    for u in range(5):
        lane.common[new, u] = lane.common[now, u] + change[u]
    for plane in range(4):
        m, s = lane.full[now, plane], lane.right[now, plane]
        a, b, c = m[5, 5] * more, m[6, 5], m[6, 6] * more
        det = a * c - b * b
        e = f = 0.0
        if det > 0:
            p, q = s[5], s[6]
            for u in range(5):
                p -= m[5, u] * change[u]
                q -= m[6, u] * change[u]
                gain += s[u] * change[u]
            e, f = (c * p - b * q) / det, (a * q - b * p) / det
            gain += s[5] * e + s[6] * f
        lane.level[new, plane, 0] = lane.level[now, plane, 0] + e
        lane.level[new, plane, 1] = lane.level[now, plane, 1] + f
    return gain


@njit(cache=True, nogil=True, error_model="numpy")
def _advance(lane: Any, chi2: float, reach: float, matrix: Float64, change: Float64) -> int:
    """Judge the values on trial and make the next ones: 0, or 1 where the fit has settled, -1 where it never will."""
    # What the profile misses in bright stars is error, too: chi-square per sample is above 1 there.
    if lane.steps == 0 or chi2 < lane.chi2 + _RISE * max(1.0, lane.chi2 / lane.free):
        lane.damping *= 1.0 if lane.steps == 0 else 0.2
        lane.chi2, lane.now = chi2, 1 - lane.now
    else:
        lane.damping *= 8.0
    while lane.steps < _MOST_STEPS:
        lane.steps += 1
        gain = _step(lane, matrix, change)
        if gain < 0:
            return -1
        trial = lane.common[1 - lane.now]
        fine = trial[0] > 0 and trial[2] > 0 and trial[0] * trial[2] > 1.05 * trial[1] ** 2
        if fine and abs(trial[3] - lane.start[0]) < reach and abs(trial[4] - lane.start[1]) < reach:
            if lane.damping <= _FREE and gain < _SETTLED * max(1.0, lane.chi2 / lane.free):
                lane.now = 1 - lane.now
                return 1
            return 0
        lane.damping *= 8.0
    return -1


@njit(cache=True, nogil=True, error_model="numpy")
def _give(lane: Any, out: Float64) -> None:
    """Parameters (13,) of the star in a lane."""
    common = lane.common[lane.now]
    out[0], out[1] = lane.x0 + common[3], lane.y0 + common[4]
    for u in range(3):
        out[2 + u] = common[u]
    for u in range(8):
        out[5 + u] = lane.level[lane.now, u // 2, u % 2]


@njit(cache=True, nogil=True, error_model="numpy")
def fit_stars(
    image: Float32, cell: Int64, variance: Float64, poisson: float, x: Float64, y: Float64,
    shape: float, radius: int,
) -> tuple[Float64, npt.NDArray[np.bool_]]:  # fmt: skip
    """Position, shape and per-plane level of each star from the raw mosaic samples around it.

    Parameters
    ----------
    image : (ny, nx) float32
        Calibrated mosaic frame; NaN samples are left out.
    cell : (2, 2) int64
        Plane index of ``[y % 2, x % 2]``.
    variance : (4,) float64
        Variance of one sample at the sky level, per plane.
    poisson : float
        Variance per unit of signal: 1 when samples are in electrons, 0 when the gain is unknown.
    x, y : (n,) float64
        Start positions.
    shape : float
        Start value of ``a`` and ``c``, see `fourlight.core.starmodel.moffat_shape`.
    radius : int
        Radius in pixels of the disc that is fitted.

    Returns
    -------
    parameters : (n, 13) float64
        ``x, y, a, b, c`` and amplitude, sky of R, G1, G2, B.
    settled : (n,) bool
        False where the fit found no star.

    Examples
    --------
    >>> y, x = np.mgrid[:30, :30]
    >>> star = 5 + 90 * (1 + 0.3 * ((x - 14.3) ** 2 + (y - 15.2) ** 2)) ** -3.0
    >>> cell, start = np.array([[0, 1], [2, 3]]), (np.array([14.0]), np.array([15.0]))
    >>> found, settled = fit_stars(star.astype(np.float32), cell, np.ones(4), 1.0, *start, 0.26, 7)
    >>> found[0, :2].round(3).tolist(), bool(settled[0])
    ([14.3, 15.2], True)
    """
    out, settled, room = np.zeros((x.size, NPAR)), np.zeros(x.size, dtype=np.bool_), disc_room(cell, radius)
    samples, light = np.zeros((4, 4, room, LANES)), np.empty(room)
    lanes, work, chi2 = np.zeros(LANES, _LANE), np.zeros(WORK), np.empty(LANES)
    matrix, change, following, busy = np.empty((5, 5)), np.empty(5), 0, LANES
    for k in range(LANES):
        lanes[k].star = -1
    while busy > 0:
        busy = 0
        for k in range(LANES):
            while lanes[k].star < 0 and following < x.size:
                place = x[following], y[following]
                if _take(image, cell, place[0], place[1], shape, radius, samples, light, lanes[k], k):
                    lanes[k].star = following
                following += 1
            busy += lanes[k].star >= 0
        _try(samples, variance, poisson, lanes, work, chi2)
        for k in range(LANES):
            result = _advance(lanes[k], chi2[k], 0.7 * radius, matrix, change) if lanes[k].star >= 0 else 0
            if result != 0:
                _give(lanes[k], out[lanes[k].star])
                settled[lanes[k].star], lanes[k].star = result > 0, -1
    return out, settled
