"""Stars and detail made narrower, as far as pixels can carry it and the halves of the stack confirm it.

The profile of the stars is measured for each channel and exchanged for a narrower one (`fourlight.core.refocus`), with
nothing touched that is finer than what both halves show. What this adds to the picture is then taken apart by scale,
and only what both halves show of it is added: nothing in empty sky, all of it where light is strong. Full stars stay
as they are, with what is around them as far as the filter reaches.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from fourlight.core import refocus
from fourlight.core.agreement import REACH, agreed_share, kept
from fourlight.core.fieldprofile import FieldProfile
from fourlight.core.tiles import SIDE, Tile, tiles
from fourlight.engine import in_order
from fourlight.frames import StarList
from fourlight.stages.canvas import Canvas, Window, bands
from fourlight.stages.coverage import CHANNELS
from fourlight.stages.field_profiles import full_level
from fourlight.stages.left_alone import left_alone
from fourlight.stages.sharpen_plan import Plan, planned

__all__ = ["Sharpened", "sharpen"]

Float32 = npt.NDArray[np.float32]
Planes = Mapping[str, Float32]

PIXEL_BYTES = 48


@dataclass(frozen=True, slots=True)
class Sharpened:
    """A sharper stack, or the same with the reason."""

    planes: dict[str, Float32]
    """R, G, B, linear; NaN where the stack is."""
    plan: Plan
    notes: tuple[str, ...]

    @property
    def done(self) -> bool:
        """Whether anything was sharpened."""
        return not self.plan.why


class _Way(NamedTuple):
    """How a channel is sharpened."""

    profile: FieldProfile
    target: refocus.Target
    finest: float


def sharpen(
    planes: Planes,
    variances: Planes,
    halves: tuple[Planes, Planes] | None,
    stars: StarList,
    *,
    full: float | None = None,
    narrower: float = 0.0,
    strength: float = 1.0,
    canvas: Canvas | None = None,
) -> Sharpened:
    """The stack with narrower stars and finer detail.

    Parameters
    ----------
    planes : mapping of R, G, B to (ny, nx) float32
        Linear; NaN where nothing covers. They are not changed.
    variances : the same
        Variance per pixel.
    halves : two of the same, or None
        Independent half stacks; without them nothing is done, as nothing confirms it.
    stars : StarList
        On the pixels of the stack.
    full : float or None
        Level of pixels that may hold full samples; None: told from the stars of the list that are full.
    narrower : float
        Least width of the stars that is wanted, pixels.
    strength : float
        Share of the confirmed change that is added, 0 to 1.
    canvas : Canvas, optional
    """
    canvas = canvas or Canvas()
    level = full_level(planes, stars) if full is None else full
    plan = planned(planes, variances, halves, stars, level, narrower)
    if plan.why or halves is None:
        return Sharpened({c: planes[c] for c in CHANNELS}, plan, (plan.why,))
    used = left_alone(planes, variances, level, max(plan.widths.values()), canvas)
    ways = {
        c: _Way(plan.profiles[c], refocus.Target(plan.target_px, plan.profiles[c].wings), plan.finest)
        for c in plan.sharpened
    }
    for rows in bands(used.shape):
        used[rows] = np.float32(strength) * (1 - used[rows])
    share = _common_share(halves, ways, canvas)
    made = {
        c: _sharpened(planes[c], share, used, ways[c], canvas)
        if c in ways
        else np.array(planes[c], dtype=np.float32)
        for c in CHANNELS
    }
    return Sharpened(made, plan, tuple(_told(plan, c) for c in CHANNELS))


def _told(plan: Plan, c: str) -> str:
    width = plan.widths[c]
    if c in plan.sharpened:
        return f"{c}: stars of {width:.2f} px brought towards {plan.target_px:.2f} px."
    return (
        f"{c}: left as it is; its stars are {width:.2f} px wide, and all channels are brought to "
        f"{plan.target_px:.2f} px."
    )


def _common_share(halves: tuple[Planes, Planes], ways: Mapping[str, _Way], canvas: Canvas) -> Float32:
    """Share of the filter's work that is added: the least of all channels, or stars get rims of colour."""
    share = canvas.new(next(iter(halves[0].values())).shape)
    share[:] = 1
    for c, way in ways.items():
        first, second = (_changes(half[c], way, canvas) for half in halves)

        def fill(window: Window, first: Float32 = first, second: Float32 = second) -> None:
            here, inner = window.outer, window.inner
            np.minimum(share[inner], agreed_share(first[here], second[here])[window.cut], out=share[inner])

        canvas.each(share.shape, fill, reach=REACH, pixel_bytes=PIXEL_BYTES)
    return share


def _sharpened(plane: Float32, share: Float32, used: Float32, way: _Way, canvas: Canvas) -> Float32:
    """A channel and what is confirmed of what the filter adds to it, where that is used."""
    change, out = _changes(plane, way, canvas), canvas.new(plane.shape)

    def fill(window: Window) -> None:
        here = window.outer
        added = kept(change[here], share[here])[window.cut] * used[window.inner]
        out[window.inner] = plane[window.inner] + added

    canvas.each(plane.shape, fill, reach=REACH, pixel_bytes=PIXEL_BYTES)
    return out


def _changes(image: Float32, way: _Way, canvas: Canvas) -> Float32:
    """What the filter adds to an image, tile by tile with the profile of each place."""
    wanted, width = way.target.spectrum(SIDE), way.profile.fwhm_px()
    out = canvas.new(image.shape)
    out[:] = 0

    def filter_at(x: float, y: float) -> refocus.Complex:
        return refocus.added(refocus.spectrum(way.profile, x, y, SIDE), wanted, way.finest, width)

    same = way.profile.coefficients.shape[1] == 1
    only = filter_at(0, 0) if same else None

    def work(tile: Tile) -> Float32:
        here = tile.cut(image)
        by = filter_at(*tile.middle) if only is None else only
        return refocus.filtered(here - np.median(here), by)[tile.place()[1]] * tile.weight()

    every = list(tiles((image.shape[0], image.shape[1])))
    for tile, part in zip(every, in_order(work, every, canvas.threads), strict=True):
        out[tile.place()[0]] += part
    return out
