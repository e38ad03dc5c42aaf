"""What integration needs to know of every frame, as plain arrays, and how the stack is cut into tiles."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from fourlight.core import bends

__all__ = [
    "BYTES_PER_SAMPLE",
    "ROWS",
    "FrameTable",
    "Tile",
    "padded_pixels",
    "patch_side",
    "rectangle",
    "samples_beneath",
    "tiles",
]

Float64 = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]

HALO = 16
"""Output pixels around a tile that are computed with it. Weights must be whole wherever a drop that touches the
tile reaches: twice a drop's span less one. Larger drops are refused."""

BYTES_PER_SAMPLE = 14
"""Sample, noise and mask of all frames of a batch while a tile is worked on, with a little for those of the frame at
hand."""

TILE_BYTES = 200e6
"""Memory for one tile. It is the same on every computer, so that neither its memory nor its cores change a pixel:
least squares differs from one cut to another, by less than the noise."""

MOST_SIDE, LEAST_SIDE = 512, 64
"""Rows and columns of a tile: no more than, and not fewer however many frames there are."""

PATCH_BYTES, PATCH_SIDES = 60e6, (24, 96)
"""Memory and side of a part of the stack on which something is looked at before all of it is made."""

USUAL_SIDE = 256
"""Side of the tiles on which it is seen how many samples are read for a pixel."""

ROWS = (
    "matrix", "inverse", "bend", "unbend", "scale", "sky", "sky_error", "dark", "poisson", "floor", "merit", "weight",
    "half", "cell", "size", "shared", "step",
)  # fmt: skip
"""Parts of a frame table that have a row for each frame, besides its trails."""

RIM_POINTS = 5
"""Points per axis of a tile that are carried to a frame: between them a bent rim stays within the margin."""


@dataclass(frozen=True, slots=True)
class FrameTable:
    """One row per frame; planes run along the last axis of four."""

    matrix: Float64
    """(f, 2, 3) frame to stack pixels."""
    inverse: Float64
    bend: Float64
    """(f, 4, 2, 4, 4) the same for the samples of each plane, colour fringes and distortion taken out."""
    unbend: Float64
    scale: Float64
    """(f, 4) light per pixel over that of the reference."""
    sky: Float64
    """(f, 4, n) polynomial coefficients of the sky difference, frame units."""
    sky_error: Float64
    """(f, 4) standard error of that surface, rms over the frame, frame units."""
    terms: Int64
    dark: Float64
    """(f, 4) variance of a sample that does not come from light, frame units; chosen so that variance at the
    frame's sky level is what was measured there."""
    poisson: Float64
    """(f,) variance per unit of signal: 1 for electrons, 0 where the gain is unknown."""
    floor: Float64
    """(f, 4) least variance of a normalised sample."""
    merit: Float64
    """(f, 4) what the inverse variance is multiplied by to give the weight: 1 for extended light, for stars one over
    the area of their image, that of the sharpest frame."""
    weight: Float64
    """(f, 4) weight of a normalised sample at the sky level: inverse variance times merit."""
    half: Int64
    """(f,) 0 or 1: which half stack the frame belongs to."""
    cell: Int64
    """(f, 2, 2) plane index of ``[y % 2, x % 2]`` of each frame."""
    size: Int64
    """(f, 2) rows and columns of each frame."""
    shared: Float64
    """(f, 4) variance that a normalised sample adds to that of the stack beside its own: noise of master frames that
    other frames lay on the same places."""
    step: Float64
    """(f, 4) step of the digitiser in normalised samples; 0 where they are not whole numbers of it."""
    level: Float64
    """(4,) sky of the reference."""
    shape: tuple[int, int]
    """(ny, nx) of the stack."""
    zoom: float = 1.0
    """Pixels of the stack along one of the reference. Normalised samples are light per pixel of the reference."""
    fwhm_px: Float64 = field(default_factory=lambda: np.full(4, 2.0))
    """(4,) typical star width on the stack's grid."""
    trails: Sequence[Float64] = ()
    """Straight trails (n, 4) of each frame, see `fourlight.stages.trails`; empty: none anywhere."""
    stars: Float64 = field(default_factory=lambda: np.zeros((0, 6)))
    """(n, 6) stars of the reference: x, y on the stack, and light of the brightest sample per plane."""
    full: Float64 = field(default_factory=lambda: np.full(4, np.inf))
    """(4,) level from which a normalised sample may be full, the lowest of all frames."""

    def rows(self, index: Sequence[int]) -> FrameTable:
        """The table of some of the frames."""
        picked = {name: getattr(self, name)[np.asarray(index, dtype=np.int64)] for name in ROWS}
        return replace(self, **picked, trails=[self.trails[f] for f in index] if len(self.trails) else ())

    @property
    def noise(self) -> Float64:
        """(f, 4) standard deviation of a normalised sample at the sky level."""
        return np.asarray(np.sqrt(self.merit / self.weight))

    @property
    def sky_more(self) -> Float64:
        """(f, 4) sky of each frame over that of the reference, mean over the frame, frame units."""
        powers = np.array([[0.0 if n % 2 else 1 / (n + 1) for n in pair] for pair in self.terms.tolist()])
        return np.asarray((self.sky * powers.prod(axis=1)).sum(axis=2))

    @property
    def density(self) -> Float64:
        """(f, 4) weight that a frame's samples have on a pixel of the stack: large samples lie further apart."""
        return np.asarray(self.weight / np.abs(np.linalg.det(self.matrix[:, :, :2]))[:, None])


@dataclass(frozen=True, slots=True)
class Tile:
    """A rectangle of the stack: rows ``y0:y1`` and columns ``x0:x1``."""

    y0: int
    y1: int
    x0: int
    x1: int


def tiles(shape: tuple[int, int], pixel_bytes: float) -> list[Tile]:
    """Cut of the stack into tiles that are about square, which wastes least on halos, and equal.

    Parameters
    ----------
    shape : (ny, nx)
        Of the stack.
    pixel_bytes : float
        Memory needed per pixel of a tile with its halo.
    """
    # whole pixels: equal parts that are rounded are then no longer than it
    side = np.floor(np.clip(np.sqrt(TILE_BYTES / pixel_bytes) - 2 * HALO, LEAST_SIDE, MOST_SIDE))
    ys, xs = (
        np.linspace(0, length, int(np.ceil(length / side)) + 1).round().astype(int).tolist()
        for length in shape
    )
    return [Tile(y0, y1, x0, x1) for y0, y1 in pairwise(ys) for x0, x1 in pairwise(xs)]


def padded_pixels(cut: Sequence[Tile]) -> int:
    """Pixels of the largest tile with its halo."""
    return max((t.y1 - t.y0 + 2 * HALO) * (t.x1 - t.x0 + 2 * HALO) for t in cut)


def samples_beneath(table: FrameTable) -> float:
    """Samples read for a pixel of a tile with its halo, the most at nine places of the stack.

    Frames that are turned are read as upright rectangles, which hold up to twice the samples.
    """
    ny, nx = table.shape
    most = 0
    for y in np.linspace(0, max(ny - USUAL_SIDE, 0), 3).astype(int).tolist():
        for x in np.linspace(0, max(nx - USUAL_SIDE, 0), 3).astype(int).tolist():
            tile = Tile(y, y + USUAL_SIDE, x, x + USUAL_SIDE)
            boxes = (rectangle(tile, table.unbend[f, 0], size) for f, size in enumerate(table.size.tolist()))
            most = max(most, sum((y1 - y0) * (x1 - x0) for y0, y1, x0, x1 in filter(None, boxes)))
    return most / (USUAL_SIDE + 2 * HALO) ** 2


def patch_side(table: FrameTable) -> int:
    """Side of a part of the stack on which something is looked at: smaller where many samples lie beneath a pixel."""
    least, most = PATCH_SIDES
    room = np.sqrt(PATCH_BYTES / (BYTES_PER_SAMPLE * max(samples_beneath(table), 1.0)))
    return int(np.clip(room - 2 * HALO, least, most))


def rectangle(tile: Tile, unbend: Float64, shape: Sequence[int]) -> tuple[int, int, int, int] | None:
    """Rows and columns ``y0, y1, x0, x1`` of a frame that a tile with its halo may need; None: no overlap.

    ``unbend`` (2, 4, 4) is the map from stack to frame pixels.
    """
    rim = HALO + 2.0
    x, y = np.meshgrid(
        np.linspace(tile.x0 - rim, tile.x1 + rim, RIM_POINTS), np.linspace(tile.y0 - rim, tile.y1 + rim, RIM_POINTS)
    )  # fmt: skip
    u, v = bends.apply(unbend, x.ravel(), y.ravel())
    y0, y1 = max(0, int(np.floor(v.min())) - 1), min(shape[0], int(np.ceil(v.max())) + 2)
    x0, x1 = max(0, int(np.floor(u.min())) - 1), min(shape[1], int(np.ceil(u.max())) + 2)
    return (y0, y1, x0, x1) if y1 > y0 and x1 > x0 else None
