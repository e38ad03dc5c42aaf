"""The steps of the picture, each on what those before it left."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from fourlight.core import starcolour
from fourlight.core.cfa import COLOURS
from fourlight.core.stretch import Curve
from fourlight.engine import give_back, nothing
from fourlight.frames import StarList
from fourlight.recipe_finish import Finish, Look
from fourlight.stages.balance import brightness_of, white_factors
from fourlight.stages.canvas import Canvas, Window, bands, every, some
from fourlight.stages.coverage import Sheet
from fourlight.stages.denoise import Quiet, confirmed_notes, denoised_sheet
from fourlight.stages.display import Chosen, Field, curve_for, mix, noise_of
from fourlight.stages.full_cores import repair_cores
from fourlight.stages.gradient import Empty, take_off_gradient
from fourlight.stages.local_contrast import contrast_lift
from fourlight.stages.picture_parts import Made, Seen, Shelf, Source
from fourlight.stages.sharpen import Sharpened, sharpen
from fourlight.stages.showing import light_and_smooth
from fourlight.stages.star_layer import split_stars
from fourlight.stages.star_light import light_of_stars, within
from fourlight.stages.under_stars import evened_channel

__all__ = ["STEPS", "Work", "taken_steps"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]


@dataclass(slots=True)
class Work:
    """A picture on its way through the steps."""

    source: Source
    settings: Finish
    canvas: Canvas
    seen: Seen
    shelf: Shelf
    sheet: Sheet
    stars: StarList
    """On the window."""
    points: Field
    """The same as the picture needs them."""
    notes: dict[str, tuple[str, ...]] = field(default_factory=dict)
    facts: dict[str, Any] = field(default_factory=dict)
    empty: Empty = field(init=False)
    tops: Float64 = field(init=False)
    """(n, 3) brightest pixel of each star."""
    weights: Float64 = field(init=False)
    noise: float = field(init=False)
    """Of the brightness of empty sky, before it is smoothed."""
    image: list[Float32] = field(init=False)
    """Balanced channels."""
    light: dict[str, Float32] | None = None
    """Of stars, before anything is made sharper; see `fourlight.stages.star_light.light_of_stars`."""
    bare: Sheet | None = None
    """The sheet without any stars, where that is wanted."""
    starless: list[Float32] | None = None
    taken: Float32 | None = None
    curve: Curve = field(init=False)
    lift: Float32 | None = None
    """Brightness that local contrast adds."""


def _gradient(work: Work) -> None:
    work.empty = take_off_gradient(work.sheet, work.points, work.settings.gradient, work.canvas)
    work.notes["gradient"] = work.empty.notes
    work.facts["gradient"] = work.empty.facts
    work.seen("gradient", work.sheet.image)
    _take_stars_off(work)


def _take_stars_off(work: Work) -> None:
    """Tell the light of stars, so that what is beside it is made sharper and smoothed without it."""
    sheet, settings = work.sheet, work.settings
    planes, variances = (dict(zip(COLOURS, x, strict=True)) for x in (sheet.image, sheet.variance))

    def lit() -> Made:
        light = light_of_stars(planes, variances, work.stars, canvas=work.canvas)
        return Made([light[c] for c in COLOURS] if light else [], {})

    def bare() -> Made:
        found = split_stars(planes, variances, work.stars, canvas=work.canvas)
        return Made(
            [found.starless[c] for c in COLOURS] if len(found.x) else [], {"notes": list(found.notes)}
        )

    if any(step.use and step.strength > 0 for step in (settings.sharpen, settings.denoise)):
        light = work.shelf("starlight", lit).arrays
        if light:
            work.light = dict(zip(COLOURS, light, strict=True))
            sheet.off = sheet.half_off = [within(each) for each in light]
    if settings.stars.light < 1:
        made = work.shelf("starless", bare)
        work.notes["stars"] = tuple(made.facts["notes"])
        if made.arrays:
            pairs = zip(sheet.image, made.arrays, strict=True)
            off = [_sum_of(whole, -1.0, rest, work.canvas) for whole, rest in pairs]
            work.bare = replace(sheet, image=made.arrays, off=None, half_off=off)


def _sharpen(work: Work) -> None:
    settings, sheet = work.settings.sharpen, work.sheet
    if not settings.use or settings.strength == 0:
        return

    def make() -> Made:
        planes, variances = (dict(zip(COLOURS, x, strict=True)) for x in (sheet.image, sheet.variance))
        pair = None
        if sheet.halves is not None:
            first, second = (dict(zip(COLOURS, half, strict=True)) for half in sheet.halves)
            pair = (first, second)
        found = sharpen(
            planes, variances, pair, work.stars, light=work.light,
            bare=None if work.bare is None else dict(zip(COLOURS, work.bare.image, strict=True)),
            strength=settings.strength, misfit=work.source.misfit, canvas=work.canvas,
        )  # fmt: skip
        # the stack is not kept twice where nothing was done
        arrays = [
            of[c] for of in (found.planes, found.light, found.bare) for c in COLOURS if found.done and of
        ]
        return Made(arrays, _sharpened(found))

    made = work.shelf("sharpen", make)
    work.notes["sharpen"] = tuple(made.facts["notes"])
    work.facts["sharpen"] = made.facts
    if made.arrays:
        sheet.image, sheet.off = made.arrays[:3], made.arrays[3:6]
        if work.bare is not None:
            work.bare.image = made.arrays[6:]
        work.seen("sharpen", sheet.image)


def _sharpened(found: Sharpened) -> dict[str, Any]:
    """What is told of sharpening."""
    plan = found.plan
    return {
        "notes": list(found.notes),
        "target_px": plan.target_px if found.done else None,
        "fwhm_px": plan.widths,
        "finest_px": 1 / plan.finest if np.isfinite(plan.finest) else None,
    }


def _colour(work: Work) -> None:
    sheet, stars = work.sheet, work.points
    light = starcolour.colour_light(sheet.image, sheet.variance, stars.x, stars.y, stars.fwhm_px)
    work.tops = light.peak
    work.notes["colour"] = ("Colour: channels are shown as the sensor counted them.",)
    if work.settings.colour.use:
        known = work.source.white if work.settings.colour.white == "auto" else None
        sheet.gains, reason = known.gains if known else white_factors(sheet, light, stars)
        work.notes["colour"] = (reason,)
    work.facts["colour"] = {"gains": [float(gain) for gain in sheet.gains]}
    work.seen(
        "colour", [plane * np.float32(gain) for plane, gain in zip(sheet.image, sheet.gains, strict=True)]
    )


def _luminance(work: Work) -> None:
    sheet = work.sheet
    brightness = brightness_of(sheet, work.empty, work.points, informed=work.settings.luminance.use)
    work.weights, work.notes["luminance"] = brightness.weights, brightness.notes
    work.noise = noise_of(mix(sheet.some_light(), work.weights), some(work.empty.sky))
    work.seen("luminance", [mix(sheet.image, work.weights * sheet.gains)] * 3)


def _denoise(work: Work) -> None:
    settings, sheet = work.settings.denoise, work.sheet
    strength = settings.strength if settings.use else 0.0
    if strength == 0:
        work.image = [
            _times(plane, gain, work.canvas) for plane, gain in zip(sheet.image, sheet.gains, strict=True)
        ]
        work.notes["denoise"] = ("Smoothing: none.",)
        return

    def make() -> Made:
        quiet = denoised_sheet(sheet, work.weights, strength, work.source.misfit, work.canvas)
        return Made([*quiet.image, quiet.taken], _smoothed(quiet, strength, halved=sheet.halves is not None))

    made = work.shelf("denoise", make)
    work.image, work.taken = made.arrays[:3], made.arrays[3]
    work.notes["denoise"] = tuple(made.facts["notes"])
    work.facts["denoise"] = made.facts
    work.seen("denoise", work.image)


def _smoothed(quiet: Quiet, strength: float, *, halved: bool) -> dict[str, Any]:
    """What is told of smoothing."""
    judge = "the two half stacks agree on" if halved else "stands above the known noise"
    what = f"Smoothing: detail that {judge} is kept; {100 * strength:.0f} % of the rest is taken away."
    return {
        "notes": [what, *confirmed_notes(quiet.confirmed, halved=halved)],
        "slopes": {name: _numbers(found.slopes) for name, found in quiet.confirmed.items()},
        "capped": {name: _numbers(found.capped) for name, found in quiet.confirmed.items()},
        "smoothed_share": float(some(quiet.taken).mean()),
        "strength": strength,
        # at most this share of the power of noise is taken away
        "kept_area_share": float((some(quiet.taken) < 0.5 * (1 - (1 - strength) ** 2)).mean()),
    }


def _numbers(values: Float64) -> list[float | None]:
    return [float(value) if np.isfinite(value) else None for value in values]


def _stars(work: Work) -> None:
    share, sheet = work.settings.stars.light, work.sheet
    whole = work.image
    repair_cores(whole, work.tops, sheet.gains, work.points)
    if work.bare is None:
        return
    work.starless = work.shelf("stars", lambda: _starless(work)).arrays
    work.notes["stars"] += (f"Stars are shown with {100 * share:.0f} % of their light.",)
    work.image = [work.canvas.new(sheet.shape) for _ in COLOURS]

    def fill(window: Window) -> None:
        here = window.inner
        for out, plane, rest in zip(work.image, whole, work.starless or (), strict=True):
            out[here] = rest[here] + np.float32(share) * (plane[here] - rest[here])

    work.canvas.each(sheet.shape, fill, pixel_bytes=16)
    work.seen("stars", work.image)


def _starless(work: Work) -> Made:
    """The channels without stars, smoothed as they are with them."""
    bare = work.bare
    assert bare is not None
    bare.gains = work.sheet.gains
    settings = work.settings.denoise
    strength = settings.strength if settings.use else 0.0
    image = denoised_sheet(bare, work.weights, strength, work.source.misfit, work.canvas).image
    channels = zip(image, bare.half_off or (), bare.variance, bare.gains, strict=True)
    return Made([evened_channel(*each, work.canvas) for each in channels], {})


def _sum_of(image: Float32, factor: float, other: Float32, canvas: Canvas) -> Float32:
    """An image and another one times a factor, in a new array of the canvas."""
    out = _times(other, factor, canvas)
    for rows in bands(out.shape):
        out[rows] += image[rows]
    return out


def _times(plane: Float32, factor: float, canvas: Canvas) -> Float32:
    """A plane times a factor, in a new array of the canvas."""
    out = canvas.new(plane.shape)
    for rows in bands(plane.shape):
        np.multiply(plane[rows], np.float32(factor), out=out[rows])
    return out


def _stretch(work: Work) -> None:
    look, canvas, empty = work.settings.shown, work.canvas, work.empty
    bright, smooth = light_and_smooth(work.image, work.weights, canvas)
    chosen = curve_for(
        some(bright), some(smooth), work.tops * work.sheet.gains @ work.weights, some(empty.sky), some(empty.stars),
        work.noise, look, work.points.fwhm_px / every(work.sheet.shape),
    )  # fmt: skip
    work.curve = chosen.curve
    if look.contrast > 0:
        work.lift = contrast_lift(bright, work.curve, look.contrast, canvas)
    local = f", local contrast {look.contrast:g}" if look.contrast else ""
    said = (
        f"Display: the look {work.settings.look}, empty sky at {look.background:g} of white, "
        f"{_brightness(chosen, look)}, colours {look.saturation:g} times their strength{local}."
    )
    work.notes["stretch"] = (said,)


def _brightness(chosen: Chosen, look: Look) -> str:
    """How bright the object is shown, and why it is no brighter."""
    reached = round(float(chosen.curve(chosen.bright)), 2)
    if chosen.bright == 0 or reached >= round(look.bright, 2):
        return f"bright parts of the object at {look.bright:g}"
    return (
        f"bright parts of the object at {reached:g} ({look.bright:g} is wanted: brighter, the noise of the sky would "
        "be seen, or light that fills the field be grey)"
    )


_STEPS: dict[str, Callable[[Work], None]] = {
    "gradient": _gradient,
    "sharpen": _sharpen,
    "colour": _colour,
    "luminance": _luminance,
    "denoise": _denoise,
    "stars": _stars,
    "stretch": _stretch,
}
STEPS = tuple(_STEPS)
"""Names of the steps in their order, those of their sections in the recipe."""


def taken_steps(work: Work, told: Callable[[], None] = nothing) -> None:
    """Take all steps; ``told`` is called after each."""
    for step in _STEPS.values():
        step(work)
        give_back()
        told()
