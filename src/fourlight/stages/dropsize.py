"""How large drops must be so that the samples of these frames leave no holes in the red and blue planes."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fourlight.core import maps
from fourlight.stages.geometry import FrameTable

__all__ = ["FEW", "MOST_HOLES", "PITCH", "choose_pixfrac", "fewest", "span_px", "uneven_share"]

CHOICES = (0.6, 0.7, 0.8, 0.9, 1.0, 1.25, 1.5, 2.0)
"""Sides of a drop in frame pixels. A plane has a sample every two pixels, so 2 covers any single frame."""

THIN = 0.2
"""A pixel with less than this share of the mean weight counts as a hole."""

MOST_HOLES = 1e-3
"""Share of holes that is allowed."""

FEW = 5
"""Frames on each other below which holes are a matter of their number, not of dither."""

PITCH = 2.0
"""Pixels between two samples of red or blue in a frame. Frames that move by less at a place are not dithered there."""

MIN_DROPS = 4
"""Drops of a red or blue plane that must touch a pixel on average: with fewer, single samples show through."""

PATCH = 24
"""Side in output pixels of the patches that are looked at."""


def choose_pixfrac(table: FrameTable) -> tuple[float, str]:
    """Smallest drop that covers the stack evenly, and a sentence that says why.

    Parameters
    ----------
    table : FrameTable
    """
    frames = len(table.matrix)
    pitch = float(np.sqrt(np.median(np.abs(np.linalg.det(table.matrix[:, :, :2])))))
    for pixfrac in CHOICES:
        touching = frames * (1 + pixfrac * pitch) ** 2 / (4 * pitch**2)
        if touching >= MIN_DROPS and uneven_share(table, pixfrac) <= MOST_HOLES:
            break
    size = f"{pixfrac:g} pixel{'s' * (pixfrac != 1)}"
    if pixfrac > 1 and frames < FEW:
        return pixfrac, (
            f"with {frames} frames few red and blue samples fall on each pixel: drops of {size} are used, "
            "which blurs; more subs allow smaller ones."
        )
    least = fewest(table)
    if pixfrac > 1 and least < FEW:
        return pixfrac, (
            f"in a part of the field {least} of {frames} frames lie on each other, too few for red and blue samples on "
            f"every pixel: drops of {size} are used, which blurs; more subs of that part allow smaller ones."
        )
    if pixfrac > 1 and span_px(table) >= PITCH:
        return pixfrac, (
            f"the {frames} frames are dithered, but their red and blue samples happen to leave holes. Drops of {size} "
            "are used, which fills the holes but blurs; more subs at other places allow smaller ones."
        )
    if pixfrac > 1:
        return pixfrac, (
            f"the {frames} frames are hardly dithered: their red and blue samples fall on the same places and leave "
            f"holes. Drops of {size} are used, which fills the holes but blurs; dither by a few pixels "
            "between subs."
        )
    return (
        pixfrac,
        f"Drops of {size} cover the red and blue planes of {frames} frames without holes.",
    )


def uneven_share(table: FrameTable, pixfrac: float) -> float:
    """Share of thinly covered pixels of a plane with one sample per 2 x 2 cell, over patches of the stack."""
    ny, nx = table.shape
    thin = total = 0
    for cy in np.linspace(0.2, 0.8, 3) * ny:
        for cx in np.linspace(0.2, 0.8, 3) * nx:
            cover = _coverage(table, int(cy) - PATCH // 2, int(cx) - PATCH // 2, pixfrac)
            if cover.mean() > 0:
                thin += int((cover < THIN * cover.mean()).sum())
                total += cover.size
    return thin / total if total else 0.0


def fewest(table: FrameTable) -> int:
    """Frames that lie on each other where they are fewest, of places that have any."""
    x, y = _places(table)
    counts = np.zeros(len(x), dtype=np.int64)
    for inverse, (h, w) in zip(table.inverse, table.size.tolist(), strict=True):
        u, v = maps.apply(inverse, x, y)
        counts += (u >= 0) & (u <= w - 1) & (v >= 0) & (v <= h - 1)
    return int(counts[counts > 0].min(initial=len(table.matrix)))


def span_px(table: FrameTable) -> float:
    """Pixels that frames move over along each axis, at the place of the stack where they move least."""
    x, y = _places(table)
    at = np.array([maps.apply(inverse, x, y) for inverse in table.inverse])
    return float(np.ptp(at, axis=0).min())


def _places(table: FrameTable) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Columns and rows of nine places all over the stack."""
    ny, nx = table.shape
    x, y = np.meshgrid(np.linspace(0.2, 0.8, 3) * nx, np.linspace(0.2, 0.8, 3) * ny)
    return x.ravel(), y.ravel()


def _coverage(table: FrameTable, oy: int, ox: int, pixfrac: float) -> npt.NDArray[np.float64]:
    """Drop area on each pixel of a patch; drops are taken as square to the output grid."""
    cover = np.zeros((PATCH, PATCH))
    centre = np.arange(PATCH)
    for matrix, inverse, (ny, nx) in zip(table.matrix, table.inverse, table.size.tolist(), strict=True):
        corners = np.array([[-3, -3], [PATCH + 3, -3], [PATCH + 3, PATCH + 3], [-3, PATCH + 3]]) + [ox, oy]
        u, v = maps.apply(inverse, corners[:, 0].astype(float), corners[:, 1].astype(float))
        xs = np.arange(max(0, int(u.min()) // 2 * 2), min(nx, int(u.max()) + 1), 2)
        ys = np.arange(max(0, int(v.min()) // 2 * 2), min(ny, int(v.max()) + 1), 2)
        if len(xs) == 0 or len(ys) == 0:
            continue
        gx, gy = (part.ravel().astype(float) for part in np.meshgrid(xs, ys))
        x, y = maps.apply(matrix, gx, gy)
        side = pixfrac * float(np.sqrt(abs(np.linalg.det(matrix[:, :2]))))
        cover += _shared(y - oy, centre, side).T @ _shared(x - ox, centre, side)
    return cover


def _shared(
    position: npt.NDArray[np.float64], centre: npt.NDArray[np.int64], side: float
) -> npt.NDArray[np.float64]:
    """Overlap (n, pixels) along one axis of drops at ``position`` with unit pixels."""
    gap = np.abs(position[:, None] - centre[None, :])
    return np.clip((side + 1) / 2 - gap, 0.0, min(side, 1.0)) / side
