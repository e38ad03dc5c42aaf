"""Whole pictures, part by part: their brightness, the display, the stars on them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fourlight.core import starlet
from fourlight.core.colour import Primaries
from fourlight.core.stretch import Curve
from fourlight.frames import StarList
from fourlight.recipe_finish import Look
from fourlight.stages.canvas import Canvas, Window
from fourlight.stages.display import FADED_PX, Field, displayed, faded, mix

__all__ = ["inside", "light_and_smooth", "shown", "stars_on", "stars_within"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]


def light_and_smooth(image: list[Float32], weights: Float64, canvas: Canvas) -> tuple[Float32, Float32]:
    """Light of all channels together, and the same without its finest detail."""
    brightness, smooth = canvas.new(image[0].shape), canvas.new(image[0].shape)

    def fill(window: Window) -> None:
        light = mix([plane[window.outer] for plane in image], weights)
        brightness[window.inner] = light[window.cut]
        smooth[window.inner] = starlet.smoothed(light, 2)[window.cut]

    canvas.each(brightness.shape, fill, reach=6, pixel_bytes=24)
    return brightness, smooth


def shown(
    image: list[Float32],
    weights: Float64,
    curve: Curve,
    covered: Bool,
    look: Look,
    canvas: Canvas,
    primaries: Primaries,
    lift: Float32 | None = None,
) -> Float32:
    """The picture on a display, (ny, nx, 3), faded where it is not covered; ``lift`` is added to its brightness."""
    rgb = canvas.new((*covered.shape, 3))

    def fill(window: Window) -> None:
        planes = [plane[window.outer] for plane in image]
        more = None if lift is None else lift[window.outer]
        part = displayed(planes, weights, curve, look.saturation, primaries, more)
        rgb[window.inner] = faded(part, covered[window.outer], look.background)[window.cut]

    canvas.each(covered.shape, fill, reach=FADED_PX, pixel_bytes=110)
    return rgb


def stars_within(stars: StarList | None, frame: tuple[int, int, int, int]) -> StarList:
    """Stars of a list that lie on a window ``y0, y1, x0, x1``, at their places on it."""
    if stars is None or len(stars) == 0:
        none, fours = np.zeros(0), np.zeros((0, 4))
        return StarList(none, none, fours, fours, none, none, none.astype(bool))
    seen = inside(stars, frame)
    return StarList(
        stars.x[seen] - frame[2], stars.y[seen] - frame[0], stars.flux[seen], stars.flux_error[seen],
        stars.fwhm_px[seen], stars.elongation[seen], stars.saturated[seen],
    )  # fmt: skip


def inside(stars: StarList, frame: tuple[int, int, int, int]) -> Bool:
    """(n,) which stars of a list lie on a window ``y0, y1, x0, x1``."""
    y0, y1, x0, x1 = frame
    return (stars.x >= x0) & (stars.x <= x1 - 1) & (stars.y >= y0) & (stars.y <= y1 - 1)


def stars_on(stars: StarList) -> Field:
    """What a picture needs to know of its stars."""
    total = np.nansum(stars.flux, axis=1)
    typical = float(np.median(total)) if len(total) else 1.0
    return Field(
        stars.x,
        stars.y,
        stars.usual_fwhm_px,
        stars.saturated,
        np.maximum(total / max(typical, 1e-30), 1e-3),
    )
