"""Stars of the picture: taken off before it is made sharper and smoothed, and shown with the light that is wanted."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from fourlight.core.cfa import COLOURS
from fourlight.stages.canvas import Window
from fourlight.stages.denoise import denoised_sheet
from fourlight.stages.field_profiles import Profiles
from fourlight.stages.finish_work import Work
from fourlight.stages.full_cores import repair_cores
from fourlight.stages.picture_parts import Made
from fourlight.stages.plane_sums import less, times
from fourlight.stages.star_layer import split_stars
from fourlight.stages.star_light import light_of_stars, within
from fourlight.stages.under_stars import evened_channel

__all__ = ["show_stars", "take_stars_off"]

Float32 = npt.NDArray[np.float32]


def take_stars_off(work: Work) -> None:
    """Tell the light of stars, so that what is beside it is made sharper and smoothed without it."""
    sheet, settings = work.sheet, work.settings
    planes, variances = (dict(zip(COLOURS, x, strict=True)) for x in (sheet.image, sheet.variance))
    work.profiles = Profiles(planes, variances, work.stars)

    def lit() -> Made:
        light = light_of_stars(planes, variances, work.stars, canvas=work.canvas, profiles=work.profiles)
        return Made([light[c] for c in COLOURS] if light else [], {})

    def bare() -> Made:
        found = split_stars(planes, variances, work.stars, canvas=work.canvas, profiles=work.profiles)
        return Made(
            [found.starless[c] for c in COLOURS] if len(found.x) else [], {"notes": list(found.notes)}
        )

    if any(step.use and step.strength > 0 for step in (settings.sharpen, settings.denoise)):
        light = work.shelf("starlight", lit).arrays
        if light:
            work.light = dict(zip(COLOURS, light, strict=True))
            sheet.take_off([within(each) for each in light])
    if settings.stars.light < 1:
        made = work.shelf("starless", bare)
        work.notes["stars"] = tuple(made.facts["notes"])
        if made.arrays:
            pairs = zip(sheet.image, made.arrays, strict=True)
            off = [less(whole, rest, work.canvas) for whole, rest in pairs]
            work.bare = replace(sheet, image=made.arrays)
            work.bare.take_off(off, bare=True)


def show_stars(work: Work) -> None:
    """Mend the cores of full stars, and show stars with a share of their light where that is wanted."""
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
    if not settings.use or settings.strength == 0:
        return Made([times(*each, work.canvas) for each in zip(bare.image, bare.gains, strict=True)], {})
    image = denoised_sheet(bare, work.weights, settings.strength, work.misfit, work.canvas).image
    channels = zip(image, bare.half_off or (), bare.variance, bare.gains, strict=True)
    return Made([evened_channel(*each, work.canvas) for each in channels], {})
