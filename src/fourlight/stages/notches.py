"""Notches beside stars that sharpening takes for dark, and that are not."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from fourlight.core.starlet import smooth_known
from fourlight.stages.canvas import Canvas, Window

__all__ = ["DEEPEST", "fill_notches"]

Float32 = npt.NDArray[np.float32]

DEEPEST = 1.0
"""Noise of a pixel by which one may become darker than all smooth light around it: as deep as rings may be."""
SMOOTH, REACH = 2, 16
"""Scales of the starlet that tell light without its noise; pixels around a part that shape it."""
AROUND = 3.0
"""Distance over the width of stars to which it is looked around: between two stars it may become darker than nearby,
and within two widths it was raised between bright stars at the edge."""


def fill_notches(made: Float32, plane: Float32, variance: Float32, fwhm_px: float, canvas: Canvas) -> None:
    """Raise pixels, in place, that sharpening made darker than everything around them was.

    Light is moved towards where it came from, so no pixel can come out much darker than the darkest place that its own
    light may have come from. Where it does, stars are not as their profile has them.

    Parameters
    ----------
    made, plane, variance : (ny, nx) float32
        The sharpened channel, what it was, and its variance; NaN where nothing covers.
    fwhm_px : float
        Width of the stars, pixels.
    canvas : Canvas
    """
    side = 2 * round(AROUND * fwhm_px) + 1

    def fill(window: Window) -> None:
        smooth = smooth_known(np.asarray(plane[window.outer], dtype=np.float32), SMOOTH)
        np.copyto(smooth, np.float32(np.inf), where=np.isnan(smooth))
        lowest = ndimage.minimum_filter(smooth, side)[window.cut]
        part = made[window.inner]
        with np.errstate(invalid="ignore"):
            lowest -= np.float32(DEEPEST) * np.sqrt(variance[window.inner])
            lowest = np.minimum(lowest, plane[window.inner])
            np.copyto(part, lowest, where=part < lowest)

    canvas.each(made.shape, fill, reach=REACH + side // 2, pixel_bytes=40)
