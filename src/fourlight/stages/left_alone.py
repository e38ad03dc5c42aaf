"""Where sharpening leaves a stack as it is, alike in all channels.

Near full pixels, where the edge cuts stars, and around stars that are not as they are drawn.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from fourlight.core import refocus
from fourlight.core.starlet import smooth_step, smoothed
from fourlight.stages.canvas import Canvas, Window, some
from fourlight.stages.star_light import within

__all__ = ["left_alone"]

Float32 = npt.NDArray[np.float32]
Bool = npt.NDArray[np.bool_]
Planes = Mapping[str, Float32]

CUT_SIGMA, SIDE_PX = 2.0, 3
"""Light at an edge over the noise of a pixel, beside its surroundings along the edge, from which a star is cut by it: a
mean over so many pixels each way."""
ALONG, NEAR, FAR = 6.0, 3.0, 6.0
"""Over the width of stars: the surroundings along an edge, and distances between which a cut star loses its say."""

ASTRAY, WRONG = 6.0, 0.1
"""What is left of a star, over its noise and over its brightest light, from which it is not as it is drawn."""
OWN, CLEAR = 1.0, 2.5
"""Over the width of stars: how far around such pixels nothing is sharpened, and from where all is."""

TURNS: tuple[Callable[[Float32], Float32], ...] = (
    lambda plane: plane,
    lambda plane: plane[::-1],
    lambda plane: plane.T,
    lambda plane: plane[:, ::-1].T,
)
"""Views of a plane in which each of its edges in turn is the first row."""


def left_alone(
    planes: Planes, variances: Planes, full: float, fwhm_px: float, canvas: Canvas, stars: Planes | None = None
) -> Float32:  # fmt: skip
    """(ny, nx) 1 where nothing may be sharpened, 0 where all may be, smooth between.

    How bright a full pixel really is nobody knows, so nothing may rest on it: what lies within the reach of the filter
    is left as it is. Where it is full in one channel alone, it is left in all, or it would get a rim of colour. A star
    that the edge cuts has no shape that could be exchanged, unless it is known beyond the edge.

    Parameters
    ----------
    planes, variances : mapping of channels to (ny, nx) float32
    full : float
        Level from which pixels may be full.
    fwhm_px : float
        Width of the stars.
    canvas : Canvas
    stars : mapping of channels to float32, optional
        From `fourlight.stages.star_light.star_light`: stars that are known beyond the edges.
    """
    left = _near_full(planes, full, refocus.NEAR * fwhm_px, refocus.FAR * fwhm_px, canvas)
    for c, plane in planes.items():
        noise = float(np.sqrt(max(np.nanmedian(some(variances[c])), 0)))
        _spare_edges(left, plane, None if stars is None else within(stars[c]), noise, fwhm_px)
        if stars is not None:
            _spare_astray(left, plane, within(stars[c]), variances[c], fwhm_px, canvas)
    return left


def _spare_astray(
    left: Float32, plane: Float32, light: Float32, variance: Float32, fwhm_px: float, canvas: Canvas
) -> None:
    """Raise ``left``, in place, around stars that are not as they are drawn: two as one, or knots.

    What is left of them stands above its noise, and is kept with it and made sharper.
    """
    near, far = OWN * fwhm_px, CLEAR * fwhm_px

    def fill(window: Window) -> None:
        here = window.outer
        rest = np.nan_to_num(plane[here] - light[here])
        off = np.abs(smooth_step(rest - smoothed(rest, 3), 0))
        noise = np.sqrt(np.nan_to_num(variance[here]))
        top = ndimage.maximum_filter(light[here], 2 * round(fwhm_px) + 1)
        astray = (off > ASTRAY * noise) & (off > WRONG * top) & (top > ASTRAY * noise)
        if astray.any():
            apart = ndimage.distance_transform_edt(~astray)[window.cut]
            np.maximum(left[window.inner], refocus.smooth_fall(apart, near, far), out=left[window.inner])

    canvas.each(left.shape, fill, reach=int(np.ceil(far)) + 16, pixel_bytes=60)


def _near_full(planes: Planes, full: float, near_px: float, far_px: float, canvas: Canvas) -> Float32:
    """1 where a pixel of any of the planes is full within the nearer distance, 0 where none is within the farther."""
    left = canvas.new(next(iter(planes.values())).shape)

    def fill(window: Window) -> None:
        with np.errstate(invalid="ignore"):
            hot = np.any([plane[window.outer] >= full for plane in planes.values()], axis=0)
        left[window.inner] = 0
        if hot.any():
            apart = ndimage.distance_transform_edt(~hot)[window.cut]
            left[window.inner] = refocus.smooth_fall(apart, near_px, far_px)

    canvas.each(left.shape, fill, reach=int(np.ceil(far_px)) + 1, pixel_bytes=40)
    return left


def _spare_edges(left: Float32, plane: Float32, known: Float32 | None, noise: float, fwhm_px: float) -> None:
    """Raise ``left``, in place, around light that an edge of the plane cuts and that is not of known stars."""
    depth = min(int(np.ceil(FAR * fwhm_px)), *plane.shape)
    for turn in TURNS:
        lines, spared = np.nan_to_num(turn(plane)[:SIDE_PX]), turn(left)
        if known is not None:
            lines = lines - turn(known)[:SIDE_PX]
        line = ndimage.uniform_filter1d(lines.mean(axis=0), SIDE_PX, mode="nearest")
        rest = line - ndimage.median_filter(line, 1 + 2 * int(np.ceil(ALONG * fwhm_px / 2)), mode="nearest")
        cut = rest > CUT_SIGMA * noise
        if not cut.any():
            continue
        strip = np.ones((depth, line.size), dtype=bool)
        strip[0] = ~cut
        apart = ndimage.distance_transform_edt(strip) / fwhm_px
        near = refocus.smooth_fall(apart, NEAR, FAR)
        np.maximum(spared[:depth], near, out=spared[:depth])
