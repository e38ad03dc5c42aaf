"""Sets finished the way a picture is."""

from __future__ import annotations

from typing import Any

from finish_sets import COLOURS, Set

from fourlight.recipe_finish import Finish
from fourlight.stages.canvas import Canvas
from fourlight.stages.denoise import Denoised, denoise
from fourlight.stages.finish import finish
from fourlight.stages.picture_parts import Picture, Source
from fourlight.stages.star_light import light_of_stars, within
from fourlight.stages.way import misfit

__all__ = ["THREADS", "finished", "smoothed", "without_stars"]

THREADS = 2


def finished(known: Set, **settings: Any) -> Picture:
    """The picture of a set."""
    source = Source(known.planes, known.variances, known.halves, known.stars, misfit(known.method))
    return finish(source, Finish.model_validate(settings), Canvas(threads=THREADS))


def without_stars(known: Set) -> Picture:
    """The picture of a set without stars, its sky and colours as they are."""
    return finished(known, stars={"light": 0.0}, gradient={"use": False}, colour={"use": False})


def smoothed(known: Set, canvas: Canvas | None = None) -> Denoised:
    """A set smoothed as a picture smooths it."""
    canvas = canvas or Canvas(threads=THREADS)
    light = light_of_stars(known.planes, known.variances, known.stars, known.saturation, canvas)
    off = light and {c: within(light[c]) for c in COLOURS}
    return denoise(
        known.planes, known.variances, known.halves, off=off, misfit=misfit(known.method), canvas=canvas
    )
