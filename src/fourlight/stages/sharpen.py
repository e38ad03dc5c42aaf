"""Stars and detail made narrower, as far as pixels can carry it and the halves of the stack confirm it.

The profile of the stars is measured for each channel and exchanged for a narrower one (`fourlight.core.refocus`), with
nothing touched that is finer than what both halves show. What this adds is reckoned on what is sure: the light of
bright stars as the profile has it, and everything else without the detail that the halves do not confirm. So light is
made narrower and noise is not made stronger. A share of the change, taken place by place, would not do: what dark
flanks of stars then lack has to go somewhere, and leaves notches between stars. Full stars stay as they are, with what
is around them as far as the filter reaches.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import partial
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from fourlight.core import refocus
from fourlight.core.cfa import COLOURS
from fourlight.core.fieldprofile import FieldProfile
from fourlight.core.starlet import smoothed
from fourlight.core.tiles import SIDE, Tile, tiles
from fourlight.engine import in_order
from fourlight.frames import StarList
from fourlight.stages.canvas import Canvas, bands
from fourlight.stages.denoise import denoise
from fourlight.stages.field_profiles import Profiles
from fourlight.stages.left_alone import left_alone
from fourlight.stages.notches import fill_notches
from fourlight.stages.plane_sums import less
from fourlight.stages.sharpen_plan import Plan, planned
from fourlight.stages.star_light import BEYOND, star_light, within

__all__ = ["Sharpened", "sharpen", "sharpen_bare"]

Float32 = npt.NDArray[np.float32]
Planes = Mapping[str, Float32]


@dataclass(frozen=True, slots=True)
class Sharpened:
    """A sharper stack, or the same with the reason."""

    planes: dict[str, Float32]
    """R, G, B, linear; NaN where the stack is."""
    plan: Plan
    notes: tuple[str, ...]
    light: dict[str, Float32] = field(default_factory=dict)
    """(ny, nx) of the stars in it, as their profile has it; empty where nothing was done."""

    @property
    def done(self) -> bool:
        """Whether anything was sharpened."""
        return not self.plan.why


WRONG, WIDE = 0.03, 3
"""Share of the light of stars by which their profile and the stack may be wrong beneath them, on simulated fields 0.02;
scales of the starlet on which that shows."""


class _Way(NamedTuple):
    """How a channel is sharpened."""

    profile: FieldProfile
    target: refocus.Target
    finest: float


def sharpen(
    planes: Planes, variances: Planes, halves: tuple[Planes, Planes] | None, stars: StarList, *,
    light: Planes | None = None, full: float | None = None, narrower: float = 0.0, strength: float = 1.0,
    misfit: float = 0.0, canvas: Canvas | None = None, profiles: Profiles | None = None,
) -> Sharpened:  # fmt: skip
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
    light : mapping of R, G, B to float32, or None
        Light of stars from `fourlight.stages.star_light.light_of_stars`, where it is known already.
    full : float or None
        Level of pixels that may hold full samples; None: told from the stars of the list that are full.
    narrower : float
        Least width of the stars that is wanted, pixels.
    strength : float
        Share of the confirmed change that is added, 0 to 1.
    misfit : float
        As for `fourlight.stages.denoise.denoise`.
    canvas : Canvas, optional
    profiles : Profiles, optional
        Of these planes, where they are known; ``full`` is that of them.
    """
    canvas = canvas or Canvas()
    profiles = profiles or Profiles(planes, variances, stars, full)
    level = profiles.full
    plan = planned(planes, variances, halves, stars, profiles, narrower)
    if plan.why or halves is None:
        return Sharpened({c: planes[c] for c in COLOURS}, plan, (plan.why,))
    light = light or star_light(planes, variances, plan.profiles, level, canvas)
    job = _job(planes, variances, halves, plan, light, level, strength, misfit, canvas)
    off = {c: within(light[c]) for c in COLOURS}
    made, narrow = job.sharper(planes, _without(planes, off, canvas), off), job.narrower(off, light)
    for c in plan.sharpened:
        for rows in bands(job.used.shape):
            made[c][rows] += narrow[c][rows] - off[c][rows]
    _fill(made, planes, variances, plan, canvas)
    return Sharpened(made, plan, tuple(_told(plan, c) for c in COLOURS), narrow)


def sharpen_bare(
    bare: Planes, planes: Planes, variances: Planes, halves: tuple[Planes, Planes], stars: StarList, light: Planes, *,
    strength: float, misfit: float, canvas: Canvas, profiles: Profiles,
) -> dict[str, Float32]:  # fmt: skip
    """A stack without stars, made sharper as the stack it was taken from is by `sharpen`; empty where that is not.

    Parameters
    ----------
    bare : mapping of R, G, B to (ny, nx) float32
        Without stars, finite.
    planes, variances, halves, stars, light, strength, misfit, canvas, profiles
        As of `sharpen`, of the stack with its stars; finite.
    """
    plan = planned(planes, variances, halves, stars, profiles)
    if plan.why:
        return {}
    job = _job(planes, variances, halves, plan, light, profiles.full, strength, misfit, canvas)
    made = job.sharper(bare, bare, _without(planes, bare, canvas))
    _fill(made, bare, variances, plan, canvas)
    return made


def _fill(made: Planes, planes: Planes, variances: Planes, plan: Plan, canvas: Canvas) -> None:
    for c in plan.sharpened:
        fill_notches(made[c], planes[c], variances[c], plan.widths[c], canvas)


def _job(
    planes: Planes, variances: Planes, halves: tuple[Planes, Planes], plan: Plan, light: Planes, full: float,
    strength: float, misfit: float, canvas: Canvas,
) -> _Job:  # fmt: skip
    """What is done by a plan, and where."""
    used = left_alone(planes, variances, full, max(plan.widths.values()), canvas, light)
    for rows in bands(used.shape):
        used[rows] = np.float32(strength) * (1 - used[rows])
    return _Job(variances, halves, misfit, _filters(plan), used, canvas)


def _filters(plan: Plan) -> dict[str, _Way]:
    """How each channel that gains by it is sharpened."""
    return {
        c: _Way(plan.profiles[c], refocus.Target(plan.target_px, plan.profiles[c].wings), plan.finest)
        for c in plan.sharpened
    }


class _Job(NamedTuple):
    """What sharpens stacks of one field alike."""

    variances: Planes
    halves: tuple[Planes, Planes]
    misfit: float
    ways: Mapping[str, _Way]
    used: Float32
    canvas: Canvas

    def sharper(self, planes: Planes, rest: Planes, off: Planes) -> dict[str, Float32]:
        """Channels and what the filter adds to what is sure of the rest of them, beside which the halves have ``off``.

        Stars come off first: beside a bright one smoothing must leave noise as it is, which the filter would make
        stronger.
        """
        quiet = denoise(
            rest, self.variances, self.halves, off=off, bare=True, misfit=self.misfit, canvas=self.canvas
        ).planes
        return self._changed(
            planes,
            {c: partial(_of_image, quiet[c], off[c], self.ways[c].profile.fwhm_px()) for c in self.ways},
        )

    def narrower(self, off: Planes, light: Planes) -> dict[str, Float32]:
        """Light of stars made narrower; ``light`` goes on beyond the edges."""
        return self._changed(off, {c: partial(_of_stars, light[c]) for c in self.ways})

    def _changed(self, planes: Planes, sure: Mapping[str, Callable[[Tile], Float32]]) -> dict[str, Float32]:
        """Channels and what the filter adds to what is sure of them, where that is used."""
        out = {}
        for c in COLOURS:
            out[c] = self.canvas.new(planes[c].shape)
            out[c][:] = 0
            if c in self.ways:
                _add_changes(out[c], sure[c], self.ways[c], self.canvas)
            for rows in bands(out[c].shape):
                out[c][rows] *= self.used[rows]
                out[c][rows] += planes[c][rows]
        return out


def _without(planes: Planes, off: Planes, canvas: Canvas) -> dict[str, Float32]:
    """Channels less something."""
    return {c: less(planes[c], off[c], canvas) for c in COLOURS}


def _told(plan: Plan, c: str) -> str:
    width = plan.widths[c]
    if c in plan.sharpened:
        return f"{c}: stars of {width:.2f} px brought towards {plan.target_px:.2f} px."
    return (
        f"{c}: left as it is; its stars are {width:.2f} px wide, and all channels are brought to "
        f"{plan.target_px:.2f} px."
    )


def _of_image(image: Float32, off: Float32, fwhm_px: float, tile: Tile) -> Float32:
    """A tile of an image that goes on as its own mirror image beyond the edges; stars that are ``off`` may be wrong.

    Errors of their profile and of the stack in steep light are in both halves alike, and sharpened they are rings.
    """
    here, light = tile.cut(image), np.maximum(tile.cut(off), np.float32(0))
    if light.any():
        smooth = smoothed(here, WIDE)
        detail = here - smooth
        wrong = np.float32(WRONG) * ndimage.maximum_filter(light, 2 * round(fwhm_px) + 1)
        with np.errstate(divide="ignore", invalid="ignore"):
            sure = np.nan_to_num(np.clip(np.abs(detail) / wrong - 1, 0, 1), nan=1.0)
        here = smooth + sure * detail
    here -= np.median(here)
    return here


def _of_stars(light: Float32, tile: Tile) -> Float32:
    """A tile of light of stars, which is known beyond the edges."""
    return tile.part(light, BEYOND)


def _add_changes(out: Float32, sure: Callable[[Tile], Float32], way: _Way, canvas: Canvas) -> None:
    """Add what the filter adds to an image, tile by tile with the profile of each place."""
    wanted, width = way.target.spectrum(SIDE), way.profile.fwhm_px()

    def filter_at(x: float, y: float) -> refocus.Complex:
        return refocus.added(refocus.spectrum(way.profile, x, y, SIDE), wanted, way.finest, width)

    only = filter_at(0, 0) if way.profile.coefficients.shape[1] == 1 else None

    def work(tile: Tile) -> Float32 | None:
        here = sure(tile)
        if not here.any():
            return None
        by = filter_at(*tile.middle) if only is None else only
        return refocus.filtered(here, by)[tile.place()[1]] * tile.weight()

    every = list(tiles((out.shape[0], out.shape[1])))
    for tile, part in zip(every, in_order(work, every, canvas.threads), strict=True):
        if part is not None:
            out[tile.place()[0]] += part
