"""The automatic picture: what the stack shows, brought to a display without inventing anything.

Sky gradient off, channels balanced on the frame's own stars, detail that the half stacks do not confirm
smoothed away, brightness from all channels by the information they carry, and one curve for all brightness
that leaves the channel ratios alone. Planes come in and are not changed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from fourlight import recipe
from fourlight.core import background, levels, starcolour, starlet
from fourlight.core.stretch import Curve
from fourlight.frames import StarList
from fourlight.stages.canvas import Canvas, Window, some
from fourlight.stages.coverage import Sheet, gather
from fourlight.stages.display import (
    FADED_PX,
    Field,
    curve_for,
    displayed,
    faded,
    mix,
    noise_of,
    repair_cores,
)
from fourlight.stages.smoothing import smoothed_sheet

__all__ = ["Picture", "finish"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Picture:
    """A finished picture."""

    rgb: Float32
    """(ny, nx, 3) float32, sRGB-encoded, 0 to 1, finite everywhere."""
    notes: tuple[str, ...]
    """What was decided, in sentences for the report."""
    window: tuple[int, int, int, int]
    """``y0, y1, x0, x1`` (half open): the part of the stack that the picture shows."""


def finish(
    planes: Mapping[str, Float32],
    variances: Mapping[str, Float32],
    halves: tuple[Mapping[str, Float32], Mapping[str, Float32]] | None,
    stars: StarList | None,
    settings: recipe.Finish,
    misfit: float = 0.0,
    canvas: Canvas | None = None,
) -> Picture:
    """The finished picture of a stack.

    Parameters
    ----------
    planes : mapping of R, G, B to (ny, nx) float32
        The stack, linear, sky included or not; NaN where no frame covers. They may be mapped files.
    variances : the same
        Variance per pixel.
    halves : two of the same, or None
        Independent half stacks; without them smoothing relies on the variances.
    stars : StarList or None
        Stars at positions of the stack.
    settings : recipe.Finish
        The recipe's section.
    misfit : float
        Share of the local range by which the planes may be wrong beside their noise, see
        `fourlight.stages.way.misfit`.
    canvas : Canvas, optional
        Where to work, with how much memory and how many threads; neither changes the picture.

    Raises
    ------
    StageError
        No plane holds pixels.
    """
    canvas = canvas or Canvas()
    notes: list[str] = []
    sheet, frame = gather(planes, variances, halves, notes, canvas)
    field = _stars_on(stars, frame)
    sky, mask = _take_off_gradient(sheet, field, settings.gradient_order, notes, canvas)
    light = starcolour.star_light(
        sheet.image, sheet.variance, field.x, field.y, max(2.0, 1.4 * field.fwhm_px)
    )
    sheet.gains = _balance(sheet, light, field, notes)
    weights = _luminance_weights(sheet, sky, mask)
    noise_before = noise_of(mix(sheet.some_light(), weights), some(sky))
    image = smoothed_sheet(sheet, weights, settings.smoothing, misfit, canvas)
    judge = "the two half stacks agree on" if halves is not None else "stands above the known noise"
    share = f"{100 * settings.smoothing:.0f} %"
    notes.append(f"Smoothing: detail that {judge} is kept; {share} of the rest is taken away.")
    repair_cores(image, light.peak, sheet.gains, field)
    brightness, smooth = _brightness(image, weights, canvas)
    curve = curve_for(
        some(brightness), some(smooth), light.peak * sheet.gains @ weights, some(sky), some(mask), noise_before,
        settings.background,
    )  # fmt: skip
    return Picture(_shown(image, weights, curve, sheet.covered, settings, canvas), tuple(notes), frame)


def _brightness(image: list[Float32], weights: Float64, canvas: Canvas) -> tuple[Float32, Float32]:
    """Light of all channels together, and the same without its finest detail."""
    brightness, smooth = canvas.new(image[0].shape), canvas.new(image[0].shape)

    def fill(window: Window) -> None:
        light = mix([plane[window.outer] for plane in image], weights)
        brightness[window.inner] = light[window.cut]
        smooth[window.inner] = starlet.smooth_step(starlet.smooth_step(light, 0), 1)[window.cut]

    canvas.each(brightness.shape, fill, reach=6, pixel_bytes=24)
    return brightness, smooth


def _shown(
    image: list[Float32],
    weights: Float64,
    curve: Curve,
    covered: Bool,
    settings: recipe.Finish,
    canvas: Canvas,
) -> Float32:
    """The picture on a display, (ny, nx, 3), faded where it is not covered."""
    rgb = canvas.new((*covered.shape, 3))

    def fill(window: Window) -> None:
        planes = [plane[window.outer] for plane in image]
        part = displayed(planes, weights, curve, settings.saturation)
        rgb[window.inner] = faded(part, covered[window.outer], settings.background)[window.cut]

    canvas.each(covered.shape, fill, reach=FADED_PX, pixel_bytes=110)
    return rgb


def _stars_on(stars: StarList | None, frame: tuple[int, int, int, int]) -> Field:
    y0, y1, x0, x1 = frame
    if stars is None or len(stars) == 0:
        none = np.zeros(0)
        return Field(none, none, 3.0, none.astype(bool), none)
    inside = (stars.x >= x0) & (stars.x <= x1 - 1) & (stars.y >= y0) & (stars.y <= y1 - 1)
    widths = stars.fwhm_px[inside & np.isfinite(stars.fwhm_px)]
    total = np.nansum(stars.flux, axis=1)[inside]
    typical = float(np.median(total)) if len(total) else 1.0
    return Field(
        stars.x[inside] - x0,
        stars.y[inside] - y0,
        float(np.clip(np.median(widths), 1.0, 30.0)) if len(widths) else 3.0,
        stars.saturated[inside],
        np.maximum(total / max(typical, 1e-30), 1e-3),
    )


def _take_off_gradient(
    sheet: Sheet, field: Field, order: int, notes: list[str], canvas: Canvas
) -> tuple[Bool, Bool]:
    """Take the sky surface off the channels; the pixels of empty sky, and of stars."""
    shape = sheet.shape
    radius = starcolour.star_reach(field.fwhm_px, field.brightness)
    mask = starcolour.star_mask(shape, field.x, field.y, radius)
    if mask.mean() > 0.5:
        mask = starcolour.star_mask(shape, field.x, field.y, np.full(len(field.x), field.fwhm_px))
    cell_px = max(12, round(max(shape) / 32))
    unused = mask | ~sheet.covered
    cells = [levels.cell_levels(image, unused, cell_px) for image in sheet.image]
    noise = [
        max(float(np.nanmedian(c.scatter)), 1e-30) if np.isfinite(c.scatter).any() else 1.0 for c in cells
    ]
    level = np.mean([c.level / sigma for c, sigma in zip(cells, noise, strict=True)], axis=0)
    error = np.sqrt(
        np.mean([(c.error / sigma) ** 2 for c, sigma in zip(cells, noise, strict=True)], axis=0) / 3
    )
    use = background.sky_cells(replace(cells[0], level=level, error=error), order)
    surfaces = [background.fit_surface(c, use, order) for c in cells]
    sheet.image = _less(sheet.image, surfaces, canvas)
    share = float(use.sum() / max(np.isfinite(level).sum(), 1))
    notes.append(
        f"Sky: a surface of order {surfaces[1].order} through the {100 * share:.0f} % of the field that show "
        "no object was taken off each channel, which makes the empty sky neutral."
    )
    if share < 0.25:
        notes.append(
            "Little of the field is empty sky: faint light that fills it may have gone with the sky."
        )
    sky = np.repeat(np.repeat(use, cell_px, axis=0), cell_px, axis=1)[: shape[0], : shape[1]]
    sky &= ~unused
    return sky, mask


def _less(images: list[Float32], surfaces: list[background.Surface], canvas: Canvas) -> list[Float32]:
    """Images less a surface each, as new arrays."""
    out = [canvas.new(image.shape) for image in images]

    def fill(window: Window) -> None:
        rows, columns = window.inner
        for new, image, surface in zip(out, images, surfaces, strict=True):
            for y in range(rows.start, rows.stop, 64):
                part = (slice(y, min(y + 64, rows.stop)), columns)
                np.subtract(image[part], surface.image(part), out=new[part])

    canvas.each(out[0].shape, fill, pixel_bytes=32)
    return out


def _balance(sheet: Sheet, light: starcolour.StarLight, field: Field, notes: list[str]) -> Float64:
    """Factor per channel, and a note on where it comes from."""
    noise = np.array([float(np.nanmedian(v)) for v in sheet.some_variance()])
    balance = starcolour.white_balance(light, ~field.saturated, noise)
    guess = "the light of the sky and of white light in a usual colour sensor"
    if balance.count == 0:
        source = f"no star could be used; a mean of {guess} is taken as neutral"
    else:
        held = "" if balance.count >= 20 else f", held by {guess} because stars are few"
        source = f"the typical one of {balance.count} unsaturated stars is neutral{held}"
    green = balance.factors / balance.factors[1]
    notes.append(f"Colour: {source} (R x {green[0]:.2f}, B x {green[2]:.2f} against G).")
    return balance.factors


def _luminance_weights(sheet: Sheet, sky: Bool, mask: Bool) -> Float64:
    """Weight per channel, signal over variance; without an extended object from the noise alone."""
    variance = np.array([max(float(np.median(v)), 1e-30) for v in sheet.some_variance()])
    rest = some(sheet.covered) & ~some(sky) & ~some(mask)
    signal = np.ones(3)
    if rest.mean() > 0.02:
        signal = np.array([max(float(np.mean(image[rest])), 0.0) for image in sheet.some_light()])
        if signal.sum() <= 0:
            signal = np.ones(3)
    weights = signal / variance
    weights /= weights.sum()
    # a floor keeps light of every colour visible, whatever the object is made of
    return np.asarray(0.8 * weights + 0.2 / 3, dtype=np.float64)
