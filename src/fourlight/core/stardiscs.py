"""Discs around stars of a picture: pixels that belong to them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Bool = npt.NDArray[np.bool_]
Float64 = npt.NDArray[np.float64]

__all__ = ["known_discs", "star_mask", "star_reach"]

DISC = 1.5
"""Radius of the discs around stars that rings leave out, over their width: about as far as pixels of apertures that are
chosen to be alone lie from others, so that both hold as much of their wings and of stars that nobody sees."""


def star_mask(shape: tuple[int, int], x: Float64, y: Float64, radius_px: Float64) -> Bool:
    """True inside discs around stars.

    >>> int(star_mask((5, 5), np.array([2.0]), np.array([2.0]), np.array([1.0])).sum())
    5
    """
    mask = np.zeros(shape, dtype=bool)
    for cx, cy, radius in zip(x, y, radius_px, strict=True):
        y0, y1 = max(0, int(np.floor(cy - radius))), min(shape[0], int(np.ceil(cy + radius)) + 1)
        x0, x1 = max(0, int(np.floor(cx - radius))), min(shape[1], int(np.ceil(cx + radius)) + 1)
        if y0 < y1 and x0 < x1:
            rows, columns = np.ogrid[y0:y1, x0:x1]
            mask[y0:y1, x0:x1] |= (rows - cy) ** 2 + (columns - cx) ** 2 <= radius**2
    return mask


def known_discs(shape: tuple[int, int], x: Float64, y: Float64, fwhm_px: float) -> Bool:
    """Pixels of stars (ny, nx), which rings around others leave out.

    >>> int(known_discs((9, 9), np.array([4.0]), np.array([4.0]), 2.0).sum())
    29
    """
    return star_mask(shape, x, y, np.full(len(x), DISC * fwhm_px))


def star_reach(fwhm_px: float, brightness: Float64) -> Float64:
    """Radius (n,) within which a star stands out of the sky, pixels; ``brightness`` (n,) is in that of a typical one.

    >>> star_reach(2.0, np.array([0.0, 1.0, 7.0])).tolist()
    [3.0, 5.0, 9.0]
    """
    return np.asarray(fwhm_px * (1.5 + np.log2(1 + brightness)))
