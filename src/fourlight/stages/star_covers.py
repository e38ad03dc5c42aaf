"""Which parts of a stack stars take: those of a list, and bright ones that it misses; and smooth masks over them.

A list of stars lacks those that touch each other, that are full or too wide; one bright star left in a picture holds
more power at fine frequencies than all the rest. So the stack is searched too, for whatever stands out of its own fine
detail as nothing else does.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial

import numpy as np
import numpy.typing as npt
from scipy.ndimage import maximum_filter, uniform_filter

from fourlight.core.cfa import PLANES
from fourlight.core.gaps import fill_gaps
from fourlight.core.starmodel import BETA
from fourlight.engine import in_order
from fourlight.frames import StarList
from fourlight.stages.canvas import some
from fourlight.stages.fineness_windows import Patch, patches

__all__ = ["Covers", "Halves", "star_covers", "star_mask"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Halves = Mapping[str, tuple[Float32, Float32]]
"""Half stacks (ny, nx) of each plane; NaN where nothing covers."""

SEEN = 0.3
"""A star is covered to where its profile falls below this part of the noise of a pixel."""
NEAREST, FARTHEST = 1.5, 15.0
"""Least and greatest radius of a cover over the star's width."""
FULL = 2.0
"""Radius for a saturated star over that for another of as much light: it has more light than is seen."""
EDGE_PX = 6.0
"""Width over which a mask ends, or the star's width if that is more; sharper edges would spread coarse light to fine
frequencies."""
STANDS_OUT, RARE = 2.5, 0.995
"""A star that the list misses has this times as much fine detail as all but so few pixels."""
OVER_NOISE = 10.0
"""The least of it over the noise."""


@dataclass(frozen=True, slots=True)
class Covers:
    """Discs over stars, pixels of the stack."""

    x: Float64
    y: Float64
    radius: Float64
    edge: Float64
    """Width over which the mask rises to 1 outside the radius."""


def star_covers(stars: StarList, halves: Halves, threads: int = 1) -> Covers:
    """Discs over the stars of a list and over those that stand out of the stack.

    Parameters
    ----------
    stars : StarList
        On the grid of the stack.
    halves : mapping of plane to two (ny, nx) float32
        They say how noisy a pixel is, and are searched.
    threads : int
    """
    noise = {name: _noise(*pair) for name, pair in halves.items()}
    each = np.array([noise.get(name, np.inf) for name in PLANES])
    width = np.where(np.isfinite(stars.fwhm_px) & (stars.fwhm_px > 0), stars.fwhm_px, 2.0)
    listed = _covers(stars.x, stars.y, width, _peaks(stars, width, each), stars.saturated)
    typical = float(np.median(width)) if len(width) else 3.0
    searched = [name for name in ("R", "G", "B") if name in halves] or list(halves)
    shape = np.shape(halves[searched[0]][0])
    work = partial(_missed, {name: (halves[name], noise[name]) for name in searched}, listed, typical)
    more = np.concatenate([np.zeros((3, 0)), *in_order(work, patches((shape[0], shape[1])), threads)], axis=1)
    count = more.shape[1]
    found = _covers(more[0], more[1], np.full(count, typical), more[2], np.ones(count, dtype=np.bool_))
    return Covers(
        *(np.concatenate([getattr(part, name) for part in (listed, found)]) for name in Covers.__slots__)
    )


def star_mask(patch: Patch, covers: Covers) -> Float32:
    """(ny, nx) weights of a window, 0 on the discs, rising to 1 around them along a raised cosine."""
    (ny, nx), out = patch.shape, np.ones(patch.shape, dtype=np.float32)
    reach, x, y = covers.radius + covers.edge, covers.x - patch.x, covers.y - patch.y
    near = (x > -reach) & (x < nx + reach) & (y > -reach) & (y < ny + reach)
    for k in np.flatnonzero(near):
        rows = slice(max(0, int(y[k] - reach[k])), min(ny, int(y[k] + reach[k]) + 2))
        columns = slice(max(0, int(x[k] - reach[k])), min(nx, int(x[k] + reach[k]) + 2))
        apart = np.hypot(
            np.arange(rows.start, rows.stop)[:, None] - y[k], np.arange(columns.start, columns.stop) - x[k]
        )
        rise = 0.5 - 0.5 * np.cos(np.pi * np.clip((apart - covers.radius[k]) / covers.edge[k], 0, 1))
        out[rows, columns] *= rise.astype(np.float32)
    return out


def _noise(first: Float32, second: Float32) -> float:
    """Standard deviation of a pixel of the stack of both halves; infinite where they hold nothing."""
    apart = some(first) - some(second)
    apart = apart[np.isfinite(apart)]
    return max(0.5 * 1.4826 * float(np.median(np.abs(apart))), 1e-30) if apart.size else np.inf


def _peaks(stars: StarList, width: Float64, noise: Float64) -> Float64:
    """(n,) brightest pixel of each star over the noise of that plane in which it stands out most."""
    core = 0.5 * width / np.sqrt(2 ** (1 / BETA) - 1)
    light = np.nan_to_num(stars.flux) / noise
    return np.asarray(light.max(axis=1, initial=0.0) * (BETA - 1) / (np.pi * core**2))


def _covers(x: Float64, y: Float64, width: Float64, peak: Float64, full: npt.NDArray[np.bool_]) -> Covers:
    """Discs out to where a Moffat profile of this peak, in units of the noise, is lost in it."""
    core = 0.5 * width / np.sqrt(2 ** (1 / BETA) - 1)
    radius = core * np.sqrt(np.maximum(np.maximum(peak / SEEN, 1.0) ** (1 / BETA) - 1, 0.0))
    radius = np.clip(np.where(full, FULL, 1.0) * radius, NEAREST * width, FARTHEST * width)
    return Covers(x, y, np.asarray(radius), np.maximum(EDGE_PX, width))


def _missed(
    planes: Mapping[str, tuple[tuple[Float32, Float32], float]], listed: Covers, width: float, patch: Patch
) -> Float64:
    """(3, n) places in the stack and peaks over the noise of what stands out of a window and is not covered."""
    total = np.zeros(patch.shape, dtype=np.float32)
    for pair, noise in planes.values():
        if np.isfinite(noise):
            total += (pair[0][patch.cut] + pair[1][patch.cut]) * np.float32(
                0.5 / noise / np.sqrt(len(planes))
            )
    free = np.isfinite(total) & (star_mask(patch, listed) >= 0.5)
    if free.sum() < 100:
        return np.zeros((3, 0))
    near, far = (2 * round(0.5 * factor * width) + 1 for factor in (0.8, 4.0))
    filled = fill_gaps(total)
    fine = uniform_filter(filled, near) - uniform_filter(filled, far)
    usual = np.abs(fine[free][:: max(1, int(free.sum()) // 200_000)])
    noise = 1.4826 * float(np.median(usual))
    limit = max(OVER_NOISE * noise, STANDS_OUT * float(np.quantile(usual, RARE)))
    top = free & (fine > limit) & (fine >= maximum_filter(fine, near))
    rows, columns = np.nonzero(top)
    return np.array([columns + patch.x, rows + patch.y, fine[top] * np.sqrt(len(planes))], dtype=np.float64)
