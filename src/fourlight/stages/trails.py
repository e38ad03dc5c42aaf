"""Trails of satellites and aircraft in single lights, also those too faint for any sample to stand out.

A trail is found on its own light: the sum along it is large though no sample is. What shows at the same place of the
sky in many other lights as well (an edge of the nebula, a spike of a bright star) is no trail and is kept. Few others
are not enough: satellites that stand still over the ground go on along the same line of the sky in the next lights.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt
from numba import njit
from scipy.ndimage import uniform_filter

from fourlight.core import maps
from fourlight.core.lines import Line, strongest_line
from fourlight.core.skycells import Excess
from fourlight.frames import RawFrame, RegisteredFrame, StarList

__all__ = ["find_trails", "without_fixtures"]

Bool = npt.NDArray[np.bool_]
Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]

MOST_LINES = 6
COARSE_PX = 500
"""Longer side of the coarse picture on which lines are searched, at most."""

BAND_BLOCKS = 16
"""Rows of coarse pixels that are made at a time."""

CUT_SIGMA = 8.0
"""Excess in sigma of a sample beyond which it counts no more."""

SHORTEST = 0.4
"""Shortest line over the shorter side of the frame."""

AROUND = 15
"""Side of the square of coarse pixels that tells what is usual around a place."""

CLIPPED = 2.5
"""Excess in sigma beyond which a coarse pixel counts no more, so that no single star makes a line."""

FAINTEST = 0.1
"""Light of a trail in sigma of a sample under which samples are kept."""

FIXED = 1 / 3
"""Share of the other lights that have to show a line that belongs to the sky. Where fewer do, it is taken off them and
the light itself, which leaves most lights there whatever it was."""

SHORTER = 0.7
"""Exposure over that of a light from which another is expected to show what it shows."""

STEP_PX = 0.5
"""Step of the profile across a trail."""


def find_trails(frame: Excess, stars: StarList, width_px: float, sigma: float) -> Float64:
    """Trails of one light.

    Parameters
    ----------
    frame : Excess
        Calibrated samples less the sky, in units of the noise.
    stars : StarList
    width_px : float
        Star width.
    sigma : float
        Least significance of the sum along a line, in units of the scatter between lines.

    Returns
    -------
    (n, 4) float64
        A point x, y of the trail, its direction (radians from +x towards +y) and its half width, pixels.
    """
    radius = 2.0 * max(width_px, 1.5)
    side = 2 * int(np.ceil(max(frame.image.shape) / (2 * COARSE_PX)))
    coarse = _coarse(*_block_sums(frame, stars, radius, side), side)
    excess: Float32 | None = None
    found: list[list[float]] = []
    for _ in range(MOST_LINES):
        line = strongest_line(coarse, SHORTEST * min(coarse.shape))
        if line is None or line.significance < sigma:
            break
        excess = _uncovered(frame, 0, len(frame.image), stars, radius) if excess is None else excess
        x, y = (side * (place + 0.5) - 0.5 for place in (line.x, line.y))
        trail = _refined(excess, replace(line, x=x, y=y), side)
        if trail is not None:
            found.append(trail)
        _cover_line(coarse, line, 2.0 + 2.0 * (trail[3] if trail else 0.0) / side)
    return np.array(found).reshape(-1, 4)


def _uncovered(frame: Excess, y0: int, y1: int, stars: StarList, radius: float) -> Float32:
    """Rows of the frame from ``y0`` up to ``y1``, NaN around each star."""
    rows = np.empty((y1 - y0, frame.image.shape[1]), dtype=np.float32)
    frame.fill(y0, rows)
    _cover(rows, y0, stars.x, stars.y, radius)
    return rows


@njit(cache=True, nogil=True, error_model="numpy")
def _cover(rows: Float32, first: int, x: Float64, y: Float64, radius: float) -> None:
    """Set NaN around each star in the rows of a frame from ``first`` on."""
    ny, nx = rows.shape
    for k in range(x.size):
        for j in range(max(first, int(y[k] - radius)), min(first + ny, int(y[k] + radius) + 2)):
            for i in range(max(0, int(x[k] - radius)), min(nx, int(x[k] + radius) + 2)):
                if (i - x[k]) ** 2 + (j - y[k]) ** 2 <= radius * radius:
                    rows[j - first, i] = np.nan


def _block_sums(frame: Excess, stars: StarList, radius: float, side: int) -> tuple[Float32, Float32]:
    """Sums of the samples in blocks, each cut at 8 sigma, and their number; stars left out."""
    ny, nx = (length // side for length in frame.image.shape)
    total, count = np.empty((ny, nx), dtype=np.float32), np.empty((ny, nx), dtype=np.float32)
    for j in range(0, ny, BAND_BLOCKS):
        j1 = min(j + BAND_BLOCKS, ny)
        _add_blocks(_uncovered(frame, j * side, j1 * side, stars, radius), side, total[j:j1], count[j:j1])
    return total, count


@njit(cache=True, nogil=True, error_model="numpy")
def _add_blocks(rows: Float32, side: int, total: Float32, count: Float32) -> None:
    width = total.shape[1] * side
    most = np.float32(CUT_SIGMA)
    light, known = np.empty(width, dtype=np.float32), np.empty(width, dtype=np.float32)
    for j in range(len(total)):
        light[:] = 0.0
        known[:] = 0.0
        for y in range(j * side, (j + 1) * side):
            row = rows[y]
            for x in range(width):
                value = row[x]
                there = value == value
                light[x] += min(max(value, -most), most) if there else np.float32(0.0)
                known[x] += np.float32(1.0) if there else np.float32(0.0)
        for i in range(total.shape[1]):
            total[j, i] = light[i * side : (i + 1) * side].sum()
            count[j, i] = known[i * side : (i + 1) * side].sum()


def _coarse(total: Float32, count: Float32, side: int) -> Float32:
    """Sums over blocks less those around them, over their scatter there; NaN where samples are missing."""
    there = count >= side**2 / 2
    value = np.where(there, total / np.sqrt(np.maximum(count, 1)), 0.0)
    value = np.where(there, value - _around(value, there), 0.0)
    # What is bright scatters more by its photons; what is steep, too.
    scatter = 1.2533 * _around(np.abs(value), there)
    value = np.clip(value / np.maximum(scatter, 1e-6), -CLIPPED, CLIPPED)
    return np.where(there, value, np.nan).astype(np.float32)


def _around(value: Float64, there: Bool) -> Float64:
    """Mean of the known values in a square around each place."""
    share = uniform_filter(there.astype(np.float64), AROUND)
    return np.asarray(uniform_filter(np.where(there, value, 0.0), AROUND) / np.maximum(share, 1e-6))


def _cover_line(coarse: Float32, line: Line, half: float) -> None:
    y, x = np.mgrid[: coarse.shape[0], : coarse.shape[1]]
    coarse[np.abs(_across(x, y, line.x, line.y, line.angle)) <= half] = np.nan


def _across(x: npt.ArrayLike, y: npt.ArrayLike, x0: float, y0: float, angle: float) -> Float64:
    return np.asarray(-np.sin(angle) * (np.asarray(x) - x0) + np.cos(angle) * (np.asarray(y) - y0))


def _refined(excess: Float32, line: Line, side: int) -> list[float] | None:
    """Place, direction and half width from the samples near the line; None where they show nothing."""
    reach = 4.0 * side
    best, kept = 0.0, None
    length = 0.5 * float(np.hypot(*excess.shape))
    for turn in np.linspace(-1.5, 1.5, 13) * side / length:
        total, count = _profile(excess, line.x, line.y, line.angle + turn, reach)
        smooth, error = _smoothed(total, count)
        k = int(np.argmax(smooth / error))
        if smooth[k] / error[k] > best:
            best, kept = float(smooth[k] / error[k]), (turn, k, smooth, error)
    if kept is None or best < 6:
        return None
    turn, k, smooth, error = kept
    angle = line.angle + turn
    shift = (k + 0.5) * STEP_PX - reach
    half = STEP_PX * (_extent(smooth[k:], error[k:]) + _extent(smooth[k::-1], error[k::-1])) / 2 + 1.0
    return [line.x - np.sin(angle) * shift, line.y + np.cos(angle) * shift, angle % np.pi, half]


@njit(cache=True, nogil=True)
def _profile(excess: Float32, x0: float, y0: float, angle: float, reach: float) -> tuple[Float64, Float64]:
    """Sum and number of samples by distance from a line, from -reach to reach in steps of `STEP_PX`."""
    ny, nx = excess.shape
    steps = int(2 * reach / STEP_PX)
    total, count = np.zeros(steps), np.zeros(steps)
    sine, cosine = np.sin(angle), np.cos(angle)
    for j in range(ny):
        # Along a row only samples within reach are visited.
        if abs(sine) > 1e-6:
            middle, span = x0 + (j - y0) * cosine / sine, reach / abs(sine)
            low, high = max(0, int(middle - span)), min(nx, int(middle + span) + 2)
        else:
            low, high = 0, nx
        for i in range(low, high):
            distance = -sine * (i - x0) + cosine * (j - y0) + reach
            k = int(np.floor(distance / STEP_PX))
            value = excess[j, i]
            if k >= 0 and k < steps and value == value:
                total[k] += min(max(value, -CUT_SIGMA), CUT_SIGMA)
                count[k] += 1
    return total, count


def _smoothed(total: Float64, count: Float64) -> tuple[Float64, Float64]:
    """Mean of three steps less the median of the profile, and its error; samples scatter by one."""
    ones = np.ones(3)
    number = np.maximum(np.convolve(count, ones, "same"), 1.0)
    mean = np.convolve(total, ones, "same") / number
    return mean - np.median(mean), 1.0 / np.sqrt(number)


def _extent(smooth: Float64, error: Float64) -> int:
    """Steps from the middle of a trail until its light ends in the noise or is too faint to matter."""
    for k in range(len(smooth)):
        if smooth[k] < max(FAINTEST, 1.5 * error[k]):
            return k
    return len(smooth)


def without_fixtures(frames: Sequence[RegisteredFrame], near_px: float = 6.0) -> list[Float64]:
    """Trails (n, 4) of each light, without those that many other lights show at the same place of the sky.

    Many is `FIXED` of those that look there as long and through the same filter, and one at least. Only where no other
    does so, one of any kind is enough.
    """
    ends = [_ends(frame) for frame in frames]
    out = []
    for k, frame in enumerate(frames):
        others = [n for n in range(len(frames)) if n != k]
        alone = []
        for trail, end in zip(frame.measured.trails, ends[k], strict=True):
            shown = {n for n in others if _same(end, ends[n], near_px)}
            alike = {n for n in others if _would_show(frame, trail, frames[n])} if shown else set()
            told = shown & alike if alike else shown
            alone.append(len(told) < max(1.0, FIXED * len(alike)))
        out.append(frame.measured.trails[np.array(alone, dtype=bool)].reshape(-1, 4))
    return out


def _would_show(frame: RegisteredFrame, trail: Float64, other: RegisteredFrame) -> bool:
    """Whether another light looks at half of a line that a light shows, with the same filter and as long or longer."""
    here, there = frame.measured.raw, other.measured.raw
    if there.filter_name != here.filter_name:
        return False
    if (there.exposure_s or np.inf) < SHORTER * (here.exposure_s or 0.0):
        return False
    steps = np.linspace(-1, 1, 41) * np.hypot(here.nx, here.ny)
    x, y = trail[0] + steps * np.cos(trail[2]), trail[1] + steps * np.sin(trail[2])
    seen = _within(here, x, y)
    onto = maps.composed(frame.matrix, maps.inverse(other.matrix))
    return bool(2 * _within(there, *maps.apply(onto, x[seen], y[seen])).sum() >= seen.sum())


def _within(raw: RawFrame, x: Float64, y: Float64) -> Bool:
    return np.asarray((x >= 0) & (x <= raw.nx - 1) & (y >= 0) & (y <= raw.ny - 1))


def _ends(frame: RegisteredFrame) -> Float64:
    """(n, 2, 2) two points of each trail, a frame's width apart, in pixels of the stack."""
    x, y, angle, _ = frame.measured.trails.T
    half = 0.25 * float(np.hypot(frame.measured.raw.nx, frame.measured.raw.ny))
    points = [
        np.column_stack(
            maps.apply(frame.matrix, x + side * half * np.cos(angle), y + side * half * np.sin(angle))
        )
        for side in (-1, 1)
    ]
    return np.stack(points, axis=1)


def _same(one: Float64, others: Float64, near_px: float) -> bool:
    """Whether both points of a trail lie on one of the lines through two points each."""
    if not len(others):
        return False
    along = others[:, 1] - others[:, 0]
    normal = np.stack([-along[:, 1], along[:, 0]], axis=1) / np.hypot(along[:, 0], along[:, 1])[:, None]
    away = np.abs(np.einsum("nk,npk->np", normal, one[None] - others[:, :1]))
    return bool((away < near_px).all(axis=1).any())
