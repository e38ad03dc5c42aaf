"""How much of the detail of one scale is noise, from the local powers of what two halves share and do not share."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from fourlight.core.starlet import across, down

__all__ = ["CLASSES", "CLEAR", "PENALTY", "capped", "doubt_class", "noise_share"]

Float32 = npt.NDArray[np.float32]

PENALTY = 1.5
"""Factor on the noise power in the gain; 1.5 leaves about 5 per cent of pure noise."""

CLASSES = 4
"""Classes of detail by the share of it that may be noise: from more than half of it down to a sixteenth."""

CLEAR = 24.0
"""Power in each half, over the noise of their mean, from which detail that both show is light.

Noise alone has power 2 in a half; local means over so few pixels rarely reach 12 times that."""


@njit(cache=True, nogil=True)
def doubt_class(share: np.float32) -> int:
    """Class of detail by the share that is noise: 0 where more than half is, 1 to a quarter, ...; `CLASSES`: light.

    >>> [doubt_class(np.float32(share)) for share in (1.0, 0.4, 0.2, 0.07, 0.05)]
    [0, 1, 2, 3, 4]
    """
    if share > 0.25:
        return 0 if share > 0.5 else 1
    if share > 0.125:
        return 2
    return 3 if share > 0.0625 else 4


@njit(cache=True, nogil=True)
def capped(share: np.float32, caps: Float32) -> np.float32:
    """Most that is kept of detail of which this share is noise: ``caps`` in the middle of classes, even between.

    >>> caps = np.array([0.2, 0.6, 1.0, 1.0], dtype=np.float32)
    >>> [round(float(capped(np.float32(share), caps)), 3) for share in (1.0, 0.75, 0.375, 0.28125, 0.01)]
    [0.2, 0.2, 0.6, 0.8, 1.0]
    """
    middle, one = np.float32(0.75), np.float32(1)
    if share >= middle:
        return np.float32(caps[0])
    for k in range(caps.size):
        below = middle * np.float32(0.5)
        if share > below:
            coarse = caps[k + 1] if k + 1 < caps.size else one
            return np.float32(coarse + (caps[k] - coarse) * (share - below) / (middle - below))
        middle = below
    return one


@njit(cache=True, nogil=True)
def _copy(row: Float32, out: Float32) -> None:
    for x in range(out.size):
        out[x] = row[x]


@njit(cache=True, nogil=True)
def _powers(a: Float32, b: Float32, rows: Float32) -> None:
    """Squares and product of a row of half details, and the power of their half difference."""
    for x in range(a.size):
        rows[0, x], rows[1, x], rows[2, x] = a[x] * a[x], b[x] * b[x], a[x] * b[x]
        half = (a[x] - b[x]) * np.float32(0.5)
        rows[3, x] = half * half


@njit(cache=True, nogil=True)
def _noise(
    near: Float32,
    power: Float32,
    expected: Float32,
    same: Float32,
    lit: Float32,
    level: np.float32,
    noise: Float32,
) -> None:
    """Noise is the expected one where both halves show the same bright detail or the same numbers, or are lit."""
    clear, none = np.float32(CLEAR), np.float32(0)
    for x in range(noise.size):
        known = expected[x] * level
        bright = (min(near[0, x], near[1, x]) > clear * known) & (near[2, x] > none)
        noise[x] = min(power[x], known) if bright else power[x]
    for x in range(same.size):
        noise[x] += same[x] * expected[x] * level
    for x in range(lit.size):
        noise[x] += lit[x] * (expected[x] * level - noise[x])


@njit(cache=True, nogil=True)
def _signal(near: Float32, out: Float32) -> None:
    """Local power of the mean of the halves."""
    for x in range(out.size):
        out[x] = np.float32(0.25) * (near[0, x] + near[1, x]) + np.float32(0.5) * near[2, x]


@njit(cache=True, nogil=True)
def _share(
    narrow: Float32, wide: Float32, noise: Float32, strength: np.float32, caps: Float32, out: Float32
) -> None:
    """Beside a star the wide mean of the power is all star; the narrow one keeps its noisy surroundings apart."""
    one, least, penalty = np.float32(1), np.float32(1e-30), np.float32(PENALTY)
    for x in range(out.size):
        power = max(min(wide[x], narrow[x]), least)
        out[x] = strength * min(penalty * noise[x] / power, one)
    if caps.size:
        for x in range(out.size):
            share = min(penalty * noise[x] / max(min(wide[x], narrow[x]), least), one)
            if share < one:
                out[x] = strength * (one - (one - share) * capped(share, caps))


@njit(cache=True, nogil=True)
def noise_share(
    a: Float32, b: Float32, expected: Float32, same: Float32, lit: Float32, level: np.float32, step: int,
    strength: np.float32, out: Float32, caps: Float32,
) -> None:  # fmt: skip
    """Share of the detail of a scale that is taken away, 0 to ``strength``.

    Parameters
    ----------
    a, b : (ny, nx) float32
        Detail of each half; with ``b`` (0, 0) ``a`` is that of the image and its noise the expected one.
    expected : (ny, nx) float32
        Expected power of the noise of the mean of the halves, but for a factor.
    same : (ny, nx) float32 or (0, 0)
        Share of ``expected`` that is added, where one half stands in for the other.
    lit : (ny, nx) float32 or (0, 0)
        Share of ``expected`` that stands for what the halves differ by, where they do so by more than noise.
    level : float32
        The factor.
    step : int
        Pixels from tap to tap of this scale.
    strength : float32
    out : (ny, nx) float32
        Filled.
    caps : (CLASSES,) float32 or (0,)
        Most of the detail that is kept by how much of it may be noise, see `capped`.
    """
    ny, nx = a.shape
    reach = 2 * step
    halves, line = (3 if b.size else 1), np.empty(nx, dtype=np.float32)
    rows, near = np.empty((4, nx), dtype=np.float32), np.empty((3, nx), dtype=np.float32)
    # Each ring holds a row for as long as it is needed: together they fit the cache.
    powers, plain = np.empty((3, 2 * reach + 1, nx), np.float32), np.empty((reach + 1, nx), np.float32)
    noises, narrows = np.empty((2 * reach + 1, nx), np.float32), np.empty((3 * reach + 1, nx), np.float32)
    wide, wide_noises = np.empty((5 * reach + 1, nx), np.float32), np.empty((4 * reach + 1, nx), np.float32)
    for t in range(ny + 4 * reach):
        if t < ny:
            _powers(a[t], b[t] if b.size else a[t], rows)
            for k in range(halves):
                across(rows[k], step, powers[k, t % (2 * reach + 1)])
            _copy(rows[3] if b.size else expected[t], plain[t % (reach + 1)])
        y = t - reach
        if 0 <= y < ny:
            narrow, noise = narrows[y % (3 * reach + 1)], plain[y % (reach + 1)]
            for k in range(halves):
                down(powers[k], y, ny, step, near[k] if b.size else narrow)
            if b.size:
                _signal(near, narrow)
                _noise(
                    near, noise, expected[y], same[y] if same.size else line[:0], lit[y] if lit.size else line[:0],
                    level, line,
                )  # fmt: skip
                noise = line
            across(noise, step, noises[y % (2 * reach + 1)])
            across(narrow, 2 * step, wide[y % (5 * reach + 1)])
        y = t - 2 * reach
        if 0 <= y < ny:
            down(noises, y, ny, step, line)
            across(line, 2 * step, wide_noises[y % (4 * reach + 1)])
        y = t - 4 * reach
        if y >= 0:
            down(wide, y, ny, 2 * step, near[0])
            down(wide_noises, y, ny, 2 * step, near[1])
            _share(narrows[y % (3 * reach + 1)], near[0], near[1], strength, caps, out[y])
