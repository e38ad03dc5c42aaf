"""Local contrast of the object: its own structure, larger than stars, made stronger in brightness."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fourlight.core.starlet import smooth_step
from fourlight.core.stretch import Curve, shoulder
from fourlight.stages.canvas import Canvas, Window

__all__ = ["contrast_lift"]

Float32 = npt.NDArray[np.float32]

FIRST, LAST = 2, 6
"""Starlet scales that count: structure of about 4 to 60 px."""
SOFT = 0.06
"""Differences of brightness beyond which less is added: rims of stars and of bright cores make no halos."""
RISE = 0.12
"""Brightness above the empty sky from which all is added."""
REACH = 2 ** (LAST + 2)


def contrast_lift(light: Float32, curve: Curve, amount: float, canvas: Canvas) -> Float32:
    """Brightness to add to a picture so that its structure stands out.

    Parameters
    ----------
    light : (ny, nx) float32
        Light above the sky.
    curve : Curve
        How it is shown.
    amount : float
        Part of each difference that is added to it; 0 none.
    canvas : Canvas

    Returns
    -------
    (ny, nx) float32
        Encoded brightness, positive and negative; 0 in empty sky, whose noise is not to be seen.
    """
    out = canvas.new(light.shape)

    def fill(window: Window) -> None:
        wide = shoulder(curve(light[window.outer]))
        lift, least = np.zeros_like(wide), wide
        for scale in range(LAST + 1):
            narrow, wide = wide, smooth_step(wide, scale)
            if scale >= FIRST:
                # what is no brighter than the sky at any size is sky beside the object
                least = np.minimum(narrow if scale == FIRST else least, wide)
                detail = narrow - wide
                lift += detail / (1 + np.square(detail / np.float32(SOFT)))
        lift *= np.float32(amount) * np.clip((least - np.float32(curve.sky)) / np.float32(RISE), 0, 1)
        out[window.inner] = lift[window.cut]

    canvas.each(light.shape, fill, reach=REACH, pixel_bytes=40)
    return out
