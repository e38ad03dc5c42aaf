"""Stars and detail made narrower, as far as pixels can carry it and the halves of the stack confirm it.

The profile of the stars is measured for each channel and exchanged for a narrower one (`fourlight.core.refocus`), with
nothing touched that is finer than what both halves show. What this adds is reckoned on what is sure: the light of
bright stars as the profile has it, and everything else without the detail that the halves do not confirm. So light is
made narrower and noise is not made stronger. A share of the change, taken place by place, would not do: what dark
flanks of stars then lack has to go somewhere, and leaves notches between stars. Full stars stay as they are, with what
is around them as far as the filter reaches.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from fourlight.core import refocus
from fourlight.core.cfa import COLOURS
from fourlight.core.fieldprofile import FieldProfile
from fourlight.core.tiles import SIDE, Tile, tiles
from fourlight.engine import in_order
from fourlight.frames import StarList
from fourlight.stages.canvas import Canvas, bands
from fourlight.stages.denoise import denoise
from fourlight.stages.field_profiles import full_level
from fourlight.stages.left_alone import left_alone
from fourlight.stages.sharpen_plan import Plan, planned
from fourlight.stages.star_light import BEYOND, star_light, within

__all__ = ["Sharpened", "sharpen"]

Float32 = npt.NDArray[np.float32]
Planes = Mapping[str, Float32]


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
    misfit: float = 0.0,
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
    misfit : float
        As for `fourlight.stages.denoise.denoise`.
    canvas : Canvas, optional
    """
    canvas = canvas or Canvas()
    level = full_level(planes, stars) if full is None else full
    plan = planned(planes, variances, halves, stars, level, narrower)
    if plan.why or halves is None:
        return Sharpened({c: planes[c] for c in COLOURS}, plan, (plan.why,))
    sure = _sure(planes, variances, halves, plan, level, misfit, canvas)
    used = left_alone(planes, variances, level, max(plan.widths.values()), canvas, sure.stars)
    for rows in bands(used.shape):
        used[rows] = np.float32(strength) * (1 - used[rows])
    made = {c: np.array(planes[c], dtype=np.float32) for c in COLOURS if c not in plan.sharpened}
    for c in plan.sharpened:
        target = refocus.Target(plan.target_px, plan.profiles[c].wings)
        way = _Way(plan.profiles[c], target, plan.finest)
        made[c] = _sharpened(planes[c], (sure.quiet.pop(c), sure.stars.pop(c)), used, way, canvas)
    return Sharpened({c: made[c] for c in COLOURS}, plan, tuple(_told(plan, c) for c in COLOURS))


class _Sure(NamedTuple):
    """What is sure of a stack, by channel."""

    stars: dict[str, Float32]
    """Light of bright stars, `BEYOND` farther on each side than the stack."""
    quiet: dict[str, Float32]
    """Everything else without the detail that the halves do not confirm."""


def _sure(
    planes: Planes, variances: Planes, halves: tuple[Planes, Planes], plan: Plan, full: float, misfit: float,
    canvas: Canvas,
) -> _Sure:  # fmt: skip
    """Stars first: beside a bright star smoothing must leave noise as it is, which the filter would make stronger."""
    light = star_light(planes, variances, plan.profiles, full, canvas)
    rest, first, second = (
        {c: _less(image[c], light[c], canvas) for c in COLOURS} for image in (planes, *halves)
    )
    return _Sure(light, denoise(rest, variances, (first, second), misfit=misfit, canvas=canvas).planes)


def _less(image: Float32, light: Float32, canvas: Canvas) -> Float32:
    out, inner = canvas.new(image.shape), within(light)
    for rows in bands(out.shape):
        np.subtract(image[rows], inner[rows], out=out[rows])
    return out


def _told(plan: Plan, c: str) -> str:
    width = plan.widths[c]
    if c in plan.sharpened:
        return f"{c}: stars of {width:.2f} px brought towards {plan.target_px:.2f} px."
    return (
        f"{c}: left as it is; its stars are {width:.2f} px wide, and all channels are brought to "
        f"{plan.target_px:.2f} px."
    )


def _sharpened(
    plane: Float32, sure: tuple[Float32, Float32], used: Float32, way: _Way, canvas: Canvas
) -> Float32:
    """A channel and what the filter adds to what is confirmed of it, where that is used."""
    out = _changes(*sure, way, canvas)
    for rows in bands(out.shape):
        out[rows] *= used[rows]
        out[rows] += plane[rows]
    return out


def _changes(image: Float32, stars: Float32, way: _Way, canvas: Canvas) -> Float32:
    """What the filter adds to an image and its stars, tile by tile with the profile of each place.

    Beyond the edges the image is its own mirror image, and stars go on as they are.
    """
    wanted, width = way.target.spectrum(SIDE), way.profile.fwhm_px()
    out = canvas.new(image.shape)
    out[:] = 0

    def filter_at(x: float, y: float) -> refocus.Complex:
        return refocus.added(refocus.spectrum(way.profile, x, y, SIDE), wanted, way.finest, width)

    same = way.profile.coefficients.shape[1] == 1
    only = filter_at(0, 0) if same else None

    def work(tile: Tile) -> Float32:
        here = tile.cut(image)
        here -= np.median(here)
        here += tile.part(stars, BEYOND)
        by = filter_at(*tile.middle) if only is None else only
        return refocus.filtered(here, by)[tile.place()[1]] * tile.weight()

    every = list(tiles((image.shape[0], image.shape[1])))
    for tile, part in zip(every, in_order(work, every, canvas.threads), strict=True):
        out[tile.place()[0]] += part
    return out
