"""The steps of the picture, each on what those before it left."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypedDict

import numpy as np
import numpy.typing as npt

from fourlight.core import starcolour
from fourlight.core.cfa import COLOURS
from fourlight.engine import give_back, nothing
from fourlight.recipe_finish import Look
from fourlight.stages.balance import brightness_of, white_factors
from fourlight.stages.canvas import Canvas, every, some
from fourlight.stages.denoise import Quiet, confirmed_notes, denoised_sheet
from fourlight.stages.display import Chosen, curve_for, mix, noise_of
from fourlight.stages.field_profiles import Profiles
from fourlight.stages.finish_stars import show_stars, take_stars_off
from fourlight.stages.finish_work import Work
from fourlight.stages.gradient import take_off_gradient
from fourlight.stages.local_contrast import contrast_lift
from fourlight.stages.picture_parts import Made
from fourlight.stages.plane_sums import times
from fourlight.stages.sharpen import Sharpened, sharpen, sharpen_bare
from fourlight.stages.showing import light_and_smooth

__all__ = ["STEPS", "taken_steps"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]


SHARPENED_MISFIT = 0.06
"""Share of the local range by which pixels of sharpened stars may be wrong beside their noise: what is finer than two
pixels becomes up to nine times as strong. Cores of bright stars are motley with less."""


class _How(TypedDict):
    """How `sharpen` works."""

    strength: float
    misfit: float
    canvas: Canvas
    profiles: Profiles


def _gradient(work: Work) -> None:
    work.empty = take_off_gradient(work.sheet, work.points, work.settings.gradient, work.canvas)
    work.notes["gradient"] = work.empty.notes
    work.facts["gradient"] = work.empty.facts
    work.seen("gradient", work.sheet.image)
    take_stars_off(work)


def _sharpen(work: Work) -> None:
    settings, sheet = work.settings.sharpen, work.sheet
    if not settings.use or settings.strength == 0:
        return

    planes, variances = (dict(zip(COLOURS, x, strict=True)) for x in (sheet.image, sheet.variance))
    pair = None
    if sheet.halves is not None:
        first, second = (dict(zip(COLOURS, half, strict=True)) for half in sheet.halves)
        pair = (first, second)
    how = _How(
        strength=settings.strength, misfit=work.source.misfit, canvas=work.canvas, profiles=work.profiles
    )

    def make() -> Made:
        found = sharpen(planes, variances, pair, work.stars, light=work.light, **how)
        # the stack is not kept twice where nothing was done
        arrays = [of[c] for of in (found.planes, found.light) for c in COLOURS] if found.done else []
        return Made(arrays, _sharpened(found))

    def make_bare() -> Made:
        assert work.bare is not None
        assert pair is not None
        assert work.light is not None
        bare = dict(zip(COLOURS, work.bare.image, strict=True))
        found = sharpen_bare(bare, planes, variances, pair, work.stars, work.light, **how)
        return Made([found[c] for c in COLOURS], {})

    made = work.shelf("sharpen", make)
    work.notes["sharpen"] = tuple(made.facts["notes"])
    work.facts["sharpen"] = made.facts
    if made.arrays:
        if work.bare is not None:
            work.bare.image = work.shelf("sharpen starless", make_bare).arrays
        sheet.image, sheet.off = made.arrays[:3], made.arrays[3:]
        work.misfit = max(work.misfit, SHARPENED_MISFIT)
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
    work.seen("colour", sheet.image, np.diag(sheet.gains))


def _luminance(work: Work) -> None:
    sheet = work.sheet
    brightness = brightness_of(sheet, work.empty, work.points, informed=work.settings.luminance.use)
    work.weights, work.notes["luminance"] = brightness.weights, brightness.notes
    work.noise = noise_of(mix(sheet.some_light(), work.weights), some(work.empty.sky))
    work.seen("luminance", sheet.image, np.tile(work.weights * sheet.gains, (3, 1)))


def _denoise(work: Work) -> None:
    settings, sheet = work.settings.denoise, work.sheet
    strength = settings.strength if settings.use else 0.0
    if strength == 0:
        work.image = [
            times(plane, gain, work.canvas) for plane, gain in zip(sheet.image, sheet.gains, strict=True)
        ]
        work.notes["denoise"] = ("Smoothing: none.",)
        return

    def make() -> Made:
        quiet = denoised_sheet(sheet, work.weights, strength, work.misfit, work.canvas)
        drawn = sheet.off is not None
        told = _smoothed(quiet, strength, halved=sheet.halves is not None, drawn=drawn)
        return Made([*quiet.image, quiet.taken], told)

    made = work.shelf("denoise", make)
    work.image, work.taken = made.arrays[:3], made.arrays[3]
    work.notes["denoise"] = tuple(made.facts["notes"])
    work.facts["denoise"] = made.facts
    work.seen("denoise", work.image)


def _smoothed(quiet: Quiet, strength: float, *, halved: bool, drawn: bool) -> dict[str, Any]:
    """What is told of smoothing."""
    judge = "the two half stacks agree on" if halved else "stands above the known noise"
    what = f"Smoothing: detail that {judge} is kept; {100 * strength:.0f} % of the rest is taken away."
    if drawn:
        what += " Light of stars that is below three times the noise of a pixel is drawn by their profile."
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


def _stretch(work: Work) -> None:
    look, canvas, empty = work.settings.shown, work.canvas, work.empty
    bright, smooth = light_and_smooth(work.image, work.weights, canvas)
    tops = work.tops * work.sheet.gains @ work.weights
    if work.starless is not None:  # as bright as they are shown
        tops = tops[:0] if work.settings.stars.light == 0 else tops * work.settings.stars.light
    chosen = curve_for(
        some(bright), some(smooth), tops, some(empty.sky), some(empty.stars), work.noise, look,
        work.points.fwhm_px / every(work.sheet.shape),
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
    "stars": show_stars,
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
