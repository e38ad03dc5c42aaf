"""Half stacks cut into windows for Fourier transforms: background off, gaps filled, what is not covered left out."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter, minimum_filter

from fourlight.core.bspline import weights
from fourlight.core.gaps import fill_gaps

__all__ = ["Patch", "half_window", "patches"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]

MOST_PX = 1024
"""Side of the largest window: so much is transformed at a time."""
RIM = 1 / 8
"""Share of a window's side over which it comes and goes."""
CELL_PX, CELLS = 8, 3.0
"""The background is a mean of cells, smoothed over so many of them (sigma)."""


@dataclass(frozen=True, slots=True)
class Patch:
    """A window on the picture."""

    y: int
    x: int
    rows: Float64
    """(ny,) weight of each row, 0 to 1; squares of the weights of windows that overlap sum to 1."""
    columns: Float64

    @property
    def shape(self) -> tuple[int, int]:
        """(ny, nx)"""
        return len(self.rows), len(self.columns)

    @property
    def cut(self) -> tuple[slice, slice]:
        """Its part of the picture."""
        return slice(self.y, self.y + len(self.rows)), slice(self.x, self.x + len(self.columns))


def patches(shape: tuple[int, int], most_px: int = MOST_PX) -> list[Patch]:
    """Windows of one size over a picture, with rims that overlap.

    >>> [patch.cut for patch in patches((300, 1500))][1]
    (slice(0, 300, None), slice(700, 1500, None))
    """
    (rows, columns) = (_lines(length, most_px) for length in shape)
    return [Patch(y, x, down, across) for y, down in rows for x, across in columns]


def _lines(length: int, most_px: int) -> list[tuple[int, Float64]]:
    """Start and weights of windows along one axis, as few of them as are no longer than asked for."""
    rim = int(most_px * RIM)
    count = max(1, -(-(length - rim) // (most_px - rim)))
    side = min(length, -(-(length + (count - 1) * rim) // count) // 16 * 16) if count > 1 else length
    starts = np.linspace(0, length - side, count).round().astype(int)
    found = []
    for k, start in enumerate(starts):
        before = starts[k - 1] + side - start if k else max(1, int(side * RIM))
        after = start + side - starts[k + 1] if k + 1 < count else max(1, int(side * RIM))
        rise, fall = (
            np.sin(0.5 * np.pi * np.clip((np.arange(side) + 0.5) / width, 0, 1)) for width in (before, after)
        )
        found.append((int(start), rise * fall[::-1]))
    return found


def half_window(plane: Float32, patch: Patch, mask: Float32) -> tuple[Float32, Float32, float]:
    """Light of a half stack above its background in a window; a smooth weight, 0 where large parts are not covered.

    The background is a property of the half alone, so that nothing passes from one half to the other.

    Parameters
    ----------
    plane : (ny, nx) float32
        NaN where nothing covers.
    patch : Patch
    mask : (ny, nx) float32
        0 to 1, from `fourlight.stages.star_covers.star_mask`.

    Returns
    -------
    light, covered : (ny, nx) float32
        Single gaps are filled from what is around them.
    missing : float
        Share of gaps in what is covered.
    """
    part = np.asarray(plane[patch.cut], dtype=np.float32)
    finite = np.isfinite(part)
    use = mask * finite
    whole = bool(finite.all())
    total, weight = _cells((part if whole else np.where(finite, part, np.float32(0))) * use), _cells(use)
    smooth = [gaussian_filter(values, CELLS, mode="nearest") for values in (total, weight)]
    level = smooth[0] / np.maximum(smooth[1], 1e-6)
    covered = np.ones(part.shape, dtype=np.float32)
    if not whole and (share := _cells(finite)).min() < 0.5:
        # two cells beside what is not covered are left out too: there few lights lie on each other
        kept = minimum_filter((share >= 0.5).astype(np.float32), 5, mode="nearest")
        covered = _spread(kept, part.shape)
    light = part - _spread(level, part.shape)
    if whole:
        return light, covered, 0.0
    gaps = float((~finite * covered).sum() / max(float(covered.sum()), 1e-6))
    return fill_gaps(light), covered, gaps


def _cells(values: npt.NDArray[np.generic]) -> Float32:
    """Mean of each cell, the last ones of what there is of them."""
    ny, nx = values.shape
    padded = np.pad(values.astype(np.float32), ((0, -ny % CELL_PX), (0, -nx % CELL_PX)))
    rows = padded.reshape(-1, CELL_PX, padded.shape[1]).sum(
        axis=1
    )  # whole rows first: several pixels at a time
    blocks = rows.reshape(len(rows), -1, CELL_PX).sum(axis=2)
    return np.asarray(blocks / np.outer(*(_filled(length) for length in (ny, nx))), dtype=np.float32)


def _filled(length: int) -> Float64:
    """Pixels of each cell along an axis."""
    return np.diff(np.minimum(np.arange(0, length + CELL_PX, CELL_PX), length)).astype(np.float64)


def _spread(cells: Float32, shape: tuple[int, int]) -> Float32:
    """A smooth surface on all pixels whose coefficients are the cells, cubic B-splines."""
    rows, columns = (_synthesis(length, count) for length, count in zip(shape, cells.shape, strict=True))
    return np.asarray((rows @ cells) @ columns.T, dtype=np.float32)


@lru_cache(maxsize=8)
def _synthesis(length: int, count: int) -> Float32:
    """(length, count) weight of each cell at each pixel; cells hold on beyond the edge."""
    place = (np.arange(length) - 0.5 * (CELL_PX - 1)) / CELL_PX
    first = np.floor(place).astype(int)
    out = np.zeros((length, count), dtype=np.float32)
    for j, (start, part) in enumerate(zip(first, place - first, strict=True)):
        for k, weight in enumerate(weights(part)):
            out[j, min(max(start + k - 1, 0), count - 1)] += weight
    return out
