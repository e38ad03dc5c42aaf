"""Which way to integrate: by least squares where the coverage allows, by drops below it.

Least squares gives sharper stars and less colour fringe. It costs noise where the samples of a plane lie unevenly, and
with few of them it cannot be told from smoothing. Both are known beforehand from where the samples lie.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from fourlight.core import maps
from fourlight.core.cfa import PLANES
from fourlight.engine import nothing
from fourlight.recipe import Integrate
from fourlight.stages import tile_samples
from fourlight.stages.drops import Drops
from fourlight.stages.dropsize import FEW, MOST_HOLES, PITCH, choose_pixfrac, fewest, span_px, uneven_share
from fourlight.stages.geometry import BYTES_PER_SAMPLE, FrameTable, Tile, patch_side, samples_beneath
from fourlight.stages.integrate import STEPS
from fourlight.stages.least_squares import LeastSquares
from fourlight.stages.stack_layers import Method
from fourlight.stages.told import beside

__all__ = ["Way", "choose_way", "misfit", "noise_cost"]

Float32 = npt.NDArray[np.float32]
Int64 = npt.NDArray[np.int64]

LEAST_SAMPLES = 2.5
"""Red or blue samples per pixel, those of ten frames, under which drops are used."""

MOST_NOISE = 1.08
"""Noise of areas by least squares over that by drops, above which drops are used."""

FIT_MISFIT = 0.007
"""See `misfit`: pixels of stars that are not full, on simulated fields and their truth. More takes away colours that
are real, as the widths of stars differ between channels: 0.01 costs half a decibel, 0.06 one to three."""

DROP_MISFIT = 0.15
"""See `misfit`: pixels of sharp stars differ from their truth by up to a third of the peak with drops of 0.6 px."""

LEAST_WIDTH_PX = 1.2
"""Width of stars on the stack's grid under which it is too coarse to fit: drops only average."""


@dataclass(frozen=True, slots=True)
class Way:
    """How the stack is made, who chose that, and why."""

    method: str
    """``drizzle`` or ``least-squares``."""
    method_reason: str
    """Empty where the recipe names the method."""
    pixfrac: float
    """Side of a drop; used by drizzle only."""
    pixfrac_reason: str
    """Empty where the recipe sets it."""
    warning: str = ""
    """What a user must know of what the recipe asks for; empty where nothing is wrong with it."""
    fine: int = 0
    """Fine cells along a pixel that least squares sums samples on; 0: as many as the width of stars asks for."""

    def of(
        self, table: FrameTable, told: Callable[[], None] = nothing, whole: FrameTable | None = None
    ) -> Method:
        """The method itself; ``told`` is called after each step of the method's own.

        ``whole`` is the table of all frames where the other holds only those that are added to earlier sums.
        """
        if self.method == "least-squares":
            return LeastSquares(table, told, whole, self.fineness(table))
        return Drops(table, self.pixfrac, whole)

    def fineness(self, table: FrameTable) -> int:
        """Fine cells along a pixel of the stack; least squares only."""
        return self.fine or LeastSquares.fineness(table)

    def batches(self, count: int) -> list[Int64]:
        """Rows of so many frames that are read together, see `fourlight.stages.stack_layers.Method`."""
        return (LeastSquares if self.method == "least-squares" else Drops).batches(count)

    def steps(self, count: int) -> int:
        """Steps of a tile with so many frames: those of every batch, and those of which the method tells."""
        batches = len(self.batches(count))
        fits = LeastSquares.FITS + len(PLANES) * batches if self.method == "least-squares" else 0
        return STEPS * batches + fits

    @property
    def to_know(self) -> str:
        """What a user must know: drops that blur because the coverage asks for them, holes because the recipe does."""
        blurs = self.pixfrac_reason if self.method == "drizzle" and self.pixfrac > 1 else ""
        return self.warning or blurs

    def pixel_bytes(self, table: FrameTable) -> float:
        """Memory per pixel of a tile with its halo: samples of a batch, and what does not depend on their number."""
        batches = self.batches(len(table.matrix))
        samples = max(samples_beneath(table.rows(rows.tolist())) for rows in batches)
        if self.method != "least-squares":
            return BYTES_PER_SAMPLE * samples + Drops.FIXED_BYTES
        return LeastSquares.pixel_bytes(samples, len(batches), self.fineness(table))

    def kept_bytes(self, table: FrameTable) -> int:
        """Memory per pixel of a tile that sums take that are added to or kept."""
        cells = self.fineness(table) ** 2 * 6 if self.method == "least-squares" else 5
        return 4 * 2 * 4 * cells * 2  # float32, two halves, four planes; and once more while they are packed

    @property
    def words(self) -> str:
        """In three words, for the terminal."""
        return "least squares" if self.method == "least-squares" else f"drops of {self.pixfrac:g} px"


def misfit(method: str) -> float:
    """Share of the local range by which single pixels of a plane may be wrong beside their noise.

    In the steep light of stars it counts which frames a pixel was seen in, and where: a part in a hundred by least
    squares, more by drops, which leave each sample where it fell.
    """
    return FIT_MISFIT if method == "least-squares" else DROP_MISFIT


def choose_way(table: FrameTable, settings: Integrate) -> Way:
    """The way that recipe and coverage ask for.

    Parameters
    ----------
    table : FrameTable
    settings : Integrate
        The recipe's section. Where it names no method but the size of drops, they are what it asks for.
    """
    even, why = choose_pixfrac(table)
    pixfrac, why = (settings.pixfrac, "") if settings.pixfrac else (even, why)
    if settings.method == "drizzle" or (settings.method == "auto" and settings.pixfrac):
        way = Way("drizzle", "", pixfrac, why)
        return replace(way, warning=_holes(table, pixfrac, even) if settings.pixfrac else "")
    way = _by_coverage(table, even, pixfrac, why)
    if settings.method == "auto":
        return way
    warning = f"least squares was asked for where drops are better: {_small(way.method_reason)}"
    unused = "least squares has no drops: integrate.pixfrac is not used." if settings.pixfrac else ""
    return Way(settings.method, "", pixfrac, why, warning if way.method == "drizzle" else unused)


def _small(sentence: str) -> str:
    """A sentence to follow a colon."""
    return sentence[:1].lower() + sentence[1:]


def _nothing_to_fit(table: FrameTable) -> str:
    """Why drops that leave no holes must be larger than a pixel, which leaves a fit to guess."""
    if fewest(table) < FEW:
        return "A part of the field has too few frames to be fitted."
    if span_px(table) < PITCH:
        return "The frames are hardly dithered, which leaves nothing to fit."
    return "Red and blue samples of the frames happen to leave holes, in which there is nothing to fit."


def _by_coverage(table: FrameTable, even: float, pixfrac: float, why: str) -> Way:
    """The way that the coverage asks for; drops of ``even`` px would leave no holes."""
    samples = _samples(table)
    if samples < LEAST_SAMPLES:
        subs = int(np.ceil(LEAST_SAMPLES * len(table.matrix) / samples)) if samples else 0
        found = beside(samples, LEAST_SAMPLES, 1)
        reason = (
            f"{found} red and as many blue samples fall on a pixel; least squares needs {LEAST_SAMPLES:g}"
        )
        reason += f", those of {subs} such subs." if subs else "."
        return Way("drizzle", reason, pixfrac, why)
    if table.fwhm_px.min() < LEAST_WIDTH_PX:
        width = f"Stars of {table.fwhm_px.min():.1f} px are too sharp for the grid of the stack to be fitted on it"
        return Way("drizzle", f"{width}; drops average what falls on a pixel.", pixfrac, why)
    if even > 1:
        return Way("drizzle", _nothing_to_fit(table), pixfrac, why)
    cost = noise_cost(table, pixfrac)
    known = f"With {samples:.1f} red and as many blue samples per pixel, areas are"
    how = f"{abs(cost - 1):.0%} {'noisier' if cost >= 1 else 'less noisy'} by least squares than by drops"
    if cost > MOST_NOISE:
        return Way("drizzle", f"{known} {how}: too much for sharper stars.", pixfrac, why)
    return Way("least-squares", f"{known} {how}, and stars are sharper.", pixfrac, why)


def _holes(table: FrameTable, pixfrac: float, even: float) -> str:
    """What is wrong with drops of the size that the recipe asks for; empty if nothing."""
    thin = uneven_share(table, pixfrac)
    if thin <= MOST_HOLES:
        return ""
    return (
        f"drops of {pixfrac:g} px leave {thin:.1%} of the pixels of red and blue with next to no samples, or "
        f"none: integrate.pixfrac={even:g} fills them, as does leaving it out."
    )


def _samples(table: FrameTable) -> float:
    """Red or blue samples per pixel in the middle of the stack."""
    ny, nx = table.shape
    found = 0.0
    for matrix, inverse, (h, w) in zip(table.matrix, table.inverse, table.size.tolist(), strict=True):
        u, v = maps.apply(inverse, np.array([(nx - 1) / 2]), np.array([(ny - 1) / 2]))
        if 0 <= u[0] <= w - 1 and 0 <= v[0] <= h - 1:
            found += 1 / (4 * abs(float(np.linalg.det(matrix[:, :2]))))
    return found


def noise_cost(table: FrameTable, pixfrac: float) -> float:
    """Noise of areas by least squares over that by drops, the worst plane, in the middle of the stack.

    Both follow from where the samples lie and how noisy they are; no pixel is read.
    """
    (ny, nx), side = table.shape, patch_side(table)
    y, x = max(0, (ny - side) // 2), max(0, (nx - side) // 2)
    tile = Tile(y, min(ny, y + side), x, min(nx, x + side))

    def empty(f: int, y0: int, y1: int, x0: int, x1: int) -> tuple[Float32, Float32]:
        return np.zeros((y1 - y0, x1 - x0), dtype=np.float32), np.empty((0, 0), dtype=np.float32)

    found = tile_samples.load(tile, table, empty)
    found.bad = [np.zeros(found.part(found.buffer, k).shape, dtype=np.int8) for k in range(len(found.frames))]
    ref = np.broadcast_to(table.level[:, None, None].astype(np.float32), (4, *found.padded_shape)).copy()
    both = [method.planes([(found, ref)], table) for method in (LeastSquares(table), Drops(table, pixfrac))]
    ratios = []
    for plane in ("R", "G", "B"):
        fit, drop = (planes[plane].layers["variance"] for planes in both)
        there = np.isfinite(fit) & np.isfinite(drop)
        if there.any():
            ratios.append(float(fit[there].mean() / drop[there].mean()))
    return float(np.sqrt(max(ratios))) if ratios else float("inf")
