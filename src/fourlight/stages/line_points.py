"""Stars that a list of stars lacks, mostly as they touch others: pictures must not take them for nebulae."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter

from fourlight.core.cfa import COLOURS
from fourlight.core.gaps import fill_gaps
from fourlight.frames import StarList
from fourlight.stages.canvas import Canvas, Window
from fourlight.stages.line_kinds import SAMPLES
from fourlight.stages.line_maps import Planes
from fourlight.stages.star_search import apart_from, points

__all__ = ["with_unlisted"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]

NEW = 0.6
"""Distance over the width of stars from one of the list at which another point may be one."""
STEPS = (0.7, 1.4, 2.8)
"""Gaussians over the width of stars (both standard deviations) whose differences tell how wide a point is: what fine
detail holds over what coarse detail holds is 1.48 for a star, 0.97 for a straight thread as narrow as one, 0.92 for a
knot 1.5 times as wide and 0.66 for one twice as wide, where all are Gaussian."""
NARROW = 0.75
"""Part of that ratio of the usual star from which on a point is a star."""
FEWEST = 5
"""Stars of the list, not full, by which points are judged."""


def with_unlisted(stars: StarList, planes: Planes, canvas: Canvas) -> StarList:
    """The list and, behind it, points of light on the planes that are as narrow as stars and not in it.

    A knot of a nebula as narrow as a star is taken for one. Where the list has too few stars to tell how narrow that
    is, it stays as it is.

    Parameters
    ----------
    stars : StarList
        At their places on the stack.
    planes : Planes
        Of the stack with the lines.
    canvas : Canvas

    Returns
    -------
    StarList
        Light of what is added, in the unit of the list, is told by the peak of a point beside those of the list.
    """
    clear = np.flatnonzero(~stars.saturated & (np.nansum(stars.flux, axis=1) > 0))
    if len(clear) < FEWEST:
        return stars
    values, variances = (
        dict(zip(COLOURS, layers, strict=True)) for layers in (planes.values, planes.variances)
    )
    known = np.column_stack([stars.x, stars.y])
    found = apart_from(
        known, points(values, variances, stars.usual_fwhm_px, canvas), NEW * stars.usual_fwhm_px
    )
    fine, coarse = _details(planes, stars.usual_fwhm_px / 2.355, canvas)
    usual, height = _narrowness(fine, coarse, stars.x[clear], stars.y[clear])
    each, peak = _narrowness(fine, coarse, found[:, 0], found[:, 1])
    real = (each > NARROW * float(np.nanmedian(usual))) & (peak > 0)
    light = peak[real] * float(np.nanmedian(np.nansum(stars.flux[clear], axis=1) / height))
    return _added(stars, found[real], light)


def _details(planes: Planes, sigma: float, canvas: Canvas) -> tuple[Float32, Float32]:
    """Fine and coarse detail (ny, nx) of a mean sample of the mosaic."""
    fine, coarse = canvas.new(planes.shape), canvas.new(planes.shape)

    def fill(window: Window) -> None:
        mean = sum(
            np.float32(share) * fill_gaps(np.asarray(plane[window.outer], dtype=np.float32))
            for share, plane in zip(SAMPLES, planes.values, strict=True)
        )
        narrow, middle, wide = (gaussian_filter(mean, step * sigma)[window.cut] for step in STEPS)
        fine[window.inner] = narrow - middle
        coarse[window.inner] = middle - wide

    canvas.each(planes.shape, fill, reach=int(np.ceil(4 * STEPS[-1] * sigma)) + 1, pixel_bytes=24)
    return fine, coarse


def _narrowness(fine: Float32, coarse: Float32, x: Float64, y: Float64) -> tuple[Float64, Float64]:
    """(n,) ratio of both details at places, infinite where coarse detail is dark, and the fine one."""
    # stars of the list may stand a little beyond the edge
    rows, columns = (
        np.clip(np.rint(place), 0, most - 1).astype(int)
        for place, most in zip((y, x), fine.shape, strict=True)
    )
    narrow, wide = (layer[rows, columns].astype(np.float64) for layer in (fine, coarse))
    return np.where(wide > 0, narrow / np.where(wide > 0, wide, 1.0), np.inf), narrow


def _added(stars: StarList, found: Float64, light: Float64) -> StarList:
    count = len(found)
    part = np.repeat(light[:, None] / stars.flux.shape[1], stars.flux.shape[1], axis=1)
    ones = np.ones(count)
    return StarList(
        np.append(stars.x, found[:, 0]), np.append(stars.y, found[:, 1]), np.vstack([stars.flux, part]),
        np.vstack([stars.flux_error, np.full_like(part, np.nan)]),
        np.append(stars.fwhm_px, stars.usual_fwhm_px * ones), np.append(stars.elongation, ones),
        np.append(stars.saturated, np.zeros(count, dtype=bool)),
    )  # fmt: skip
