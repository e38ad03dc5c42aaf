"""Where sharpening leaves a stack as it is, alike in all channels: near full pixels, and where the edge cuts stars."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from fourlight.core import refocus
from fourlight.stages.canvas import Canvas, Window, some

__all__ = ["left_alone"]

Float32 = npt.NDArray[np.float32]
Bool = npt.NDArray[np.bool_]
Planes = Mapping[str, Float32]

CUT_SIGMA = 5.0
"""Light of an edge over the noise, beside its surroundings along the edge, from which a star is cut by it."""
ALONG, NEAR, FAR = 6.0, 3.0, 6.0
"""Over the width of stars: the surroundings along an edge, and distances between which a cut star loses its say."""


def left_alone(planes: Planes, variances: Planes, full: float, fwhm_px: float, canvas: Canvas) -> Float32:
    """(ny, nx) 1 where nothing may be sharpened, 0 where all may be, smooth between.

    How bright a full pixel really is nobody knows, so nothing may rest on it: what lies within the reach of the filter
    is left as it is. Where it is full in one channel alone, it is left in all, or it would get a rim of colour. A star
    that the edge cuts has no shape that could be exchanged.

    Parameters
    ----------
    planes, variances : mapping of channels to (ny, nx) float32
    full : float
        Level from which pixels may be full.
    fwhm_px : float
        Width of the stars.
    """
    left = _near_full(planes, full, refocus.NEAR * fwhm_px, refocus.FAR * fwhm_px, canvas)
    for c, plane in planes.items():
        noise = float(np.sqrt(max(np.nanmedian(some(variances[c])), 0)))
        _spare_edges(left, plane, noise, fwhm_px)
    return left


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


def _spare_edges(left: Float32, plane: Float32, noise: float, fwhm_px: float) -> None:
    """Raise ``left``, in place, around stars that an edge of the plane cuts."""
    depth = min(int(np.ceil(FAR * fwhm_px)), *plane.shape)
    for turned, spared in (
        (plane, left), (plane[::-1], left[::-1]), (plane.T, left.T), (plane[:, ::-1].T, left[:, ::-1].T)
    ):  # fmt: skip
        line = np.nan_to_num(turned[0])
        rest = line - ndimage.median_filter(line, 1 + 2 * int(np.ceil(ALONG * fwhm_px / 2)), mode="nearest")
        cut = rest > CUT_SIGMA * noise
        if not cut.any():
            continue
        strip = np.ones((depth, line.size), dtype=bool)
        strip[0] = ~cut
        apart = ndimage.distance_transform_edt(strip) / fwhm_px
        near = refocus.smooth_fall(apart, NEAR, FAR)
        np.maximum(spared[:depth], near, out=spared[:depth])
