"""The light of the sky taken off the picture: a smooth surface through what is empty in every channel."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from fourlight.core import background, levels, skyslope, stardiscs
from fourlight.core.cfa import COLOURS
from fourlight.recipe_finish import Gradient
from fourlight.stages.canvas import Canvas, Window, some
from fourlight.stages.coverage import Sheet
from fourlight.stages.display import Field

__all__ = ["Empty", "take_off_gradient"]

Float32 = npt.NDArray[np.float32]
Bool = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Empty:
    """Where the picture shows neither object nor stars: what lies at the level of the sky.

    It is not all that is no object: `fourlight.stages.empty_sky` asks whether light stands out of the noise, this only
    what agrees with a smooth surface of the sky.
    """

    sky: Bool
    """(ny, nx) pixels of empty sky."""
    stars: Bool
    """(ny, nx) pixels of stars."""
    notes: tuple[str, ...]
    facts: dict[str, Any] = field(default_factory=dict)
    """What was taken off and how well it is known, for the summary; in units of the stack."""


def take_off_gradient(sheet: Sheet, stars: Field, settings: Gradient, canvas: Canvas) -> Empty:
    """Take a sky surface off the channels of a sheet and off its halves; a level where the recipe wants no surface.

    Off the halves too: colours are ratios to the light above the sky, and full pixels are told from it.
    """
    order = settings.order if settings.use else 0
    shape = sheet.shape
    mask = _star_pixels(shape, stars)
    cell_px = max(12, round(max(shape) / 32))
    unused = mask | ~sheet.covered
    cells = [levels.cell_levels(image, unused, cell_px) for image in sheet.image]
    noise = _shared_noise(sheet, cells, unused)
    # which cells are empty does not depend on whether a surface is wanted
    found = skyslope.sky_under(cells, settings.order, noise=noise)
    wanted = found.surfaces
    if order == 0:
        wanted = tuple(background.fit_surface(c, found.empty, 0) for c in cells)
    sheet.image = sheet.under = _less(sheet.image, wanted, canvas)
    if sheet.halves is not None:
        first, second = (_less(half, wanted, canvas) for half in sheet.halves)
        sheet.halves = (first, second)
    spread = [float(np.sqrt(np.nanmedian(some(variance)))) for variance in sheet.variance]
    facts, notes = _told(found, wanted, spread, surface=order > 0)
    sky = np.repeat(np.repeat(found.empty, cell_px, axis=0), cell_px, axis=1)[: shape[0], : shape[1]]
    sky &= ~unused
    return Empty(sky, mask, notes, facts)


def _shared_noise(sheet: Sheet, cells: list[levels.Cells], unused: Bool) -> float:
    """How much more cells scatter than their pixels alone would make them: by the two halves, where there are any."""
    if sheet.halves is None:
        return 1.0
    ratios: list[npt.NDArray[np.float64]] = []
    for first, second, cell in zip(*sheet.halves, cells, strict=True):
        a, b = (levels.cell_levels(half, unused, cell.cell_px).level for half in (first, second))
        apart = (a - b) / np.where(cell.error > 0, 2 * cell.error, np.nan)
        # neighbours, as halves may have different skies
        both = (np.diff(apart, axis=0).ravel(), np.diff(apart, axis=1).ravel())
        ratios.extend(np.abs(steps[np.isfinite(steps)]) for steps in both)
    joined = np.concatenate(ratios)
    # 1.4826 / sqrt(2): from the middle of the sizes of differences to a standard deviation
    return float(max(1.0, 1.0484 * np.median(joined))) if len(joined) > 20 else 1.0


def _told(
    found: skyslope.Sky, taken: Sequence[background.Surface], noise: list[float], *, surface: bool
) -> tuple[dict[str, Any], tuple[str, ...]]:
    """Facts and sentences on what was taken off; ``noise`` is that of a pixel of each channel."""

    def numbers(values: npt.NDArray[np.float64]) -> dict[str, float | None]:
        pairs = zip(COLOURS, values, strict=True)
        return {name: float(value) if np.isfinite(value) else None for name, value in pairs}

    order = max(s.highest_order for s in taken)
    facts = {
        "order": order,
        "empty_share": found.share,
        "range": numbers(np.array([s.range() for s in taken])),
        "taken_share": found.taken if surface else 0.0,
        "error": numbers(found.error) if surface else None,
        "edge_error": numbers(found.edge) if surface else None,
        "noise": numbers(np.array(noise)),
    }
    what = ("one level", "a plane")[order] if order < 2 else f"a surface of order {order}"
    said = (
        f"Sky: {what} was taken off each channel, which makes the empty sky neutral; "
        f"{100 * found.share:.0f} % of the field lie at its level."
    )
    return facts, (said, *(_doubts(found, np.array(noise)) if surface else ()))


def _doubts(found: skyslope.Sky, noise: npt.NDArray[np.float64]) -> list[str]:
    """How well a surface is known, and what that means for light of the object."""
    notes, off = [], found.edge / noise
    if np.isfinite(off).all():
        notes.append(
            f"The slope of the sky is known to {_listed(off)} of the noise of a pixel from corner to corner in R, G "
            "and B."
        )
    if found.taken == 0:
        notes.append(
            "What was found of a slope is no more than this, and may be light of the object: none was taken off."
        )
    if found.by_steps:
        notes.append(
            "Too little of the field is empty sky, so the slope of the sky was told from how light changes from place "
            "to place: light of the object that changes evenly over the whole field, and its level, go with the sky."
        )
    return notes


def _listed(values: npt.NDArray[np.float64]) -> str:
    return " / ".join(f"{value:.2g}" for value in values)


def _star_pixels(shape: tuple[int, int], stars: Field) -> Bool:
    """Pixels of stars; in a crowd of them, those of their cores."""
    radius = stardiscs.star_reach(stars.fwhm_px, stars.brightness)
    mask = stardiscs.star_mask(shape, stars.x, stars.y, radius)
    if mask.mean() > 0.5:
        mask = stardiscs.star_mask(shape, stars.x, stars.y, np.full(len(stars.x), stars.fwhm_px))
    return mask


def _less(images: list[Float32], surfaces: Sequence[background.Surface], canvas: Canvas) -> list[Float32]:
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
