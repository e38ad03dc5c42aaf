"""Points of light on a stack, found on all its channels together."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
from scipy import spatial
from scipy.ndimage import gaussian_filter, maximum_filter, median_filter

from fourlight.core.detection import WIDE, filter_noise
from fourlight.core.gaps import fill_gaps
from fourlight.stages.canvas import Canvas, Window, some

__all__ = ["apart_from", "points"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]

LEAST = 5.0
"""Light of a point over the noise of the filtered image, or over the usual fine structure around it."""
QUIET, OF_SIGMA = 0.25, 0.3186
"""Part of the pixels of a cell that tell it, since in clusters most hold stars; and that quantile of the size of a
normal deviate."""
CELL_PX = 16
"""Side of the cells over which fine structure is usual."""


def points(
    planes: Mapping[str, Float32], variances: Mapping[str, Float32], fwhm_px: float, canvas: Canvas
) -> Float64:
    """(n, 3) places x, y and light over noise, brightest first.

    A narrow Gaussian less a wide one takes off whatever varies slowly; what stays above the noise, and above what
    nebulae and dust show all around, is a point.
    """
    sigma = max(fwhm_px, 1.5) / 2.355
    noise = {c: float(np.sqrt(max(np.nanmedian(some(v)), 1e-30))) for c, v in variances.items()}
    reach = (int(np.ceil(4 * WIDE * sigma)) // CELL_PX + 4) * CELL_PX
    shape = np.shape(next(iter(planes.values())))
    found: list[tuple[tuple[int, int], Float64]] = []

    def look(window: Window) -> None:
        total = np.zeros(planes[next(iter(planes))][window.outer].shape, dtype=np.float32)
        for c, plane in planes.items():
            part = fill_gaps(np.asarray(plane[window.outer], dtype=np.float32))
            total += part / np.float32(noise[c] * np.sqrt(len(planes)))
        fine = gaussian_filter(total, sigma) - gaussian_filter(total, WIDE * sigma)
        limit = LEAST * _usual(fine, filter_noise(sigma))
        top = (fine > limit) & (fine >= maximum_filter(fine, 3))
        own = np.zeros(top.shape, dtype=bool)
        own[window.cut] = True
        rows, columns = np.nonzero(top & own)
        x, y = (
            np.clip(place + _offset(fine, rows, columns, *step) + outer.start, 0, side - 1)
            for place, step, outer, side in zip(
                (columns, rows), ((0, 1), (1, 0)), window.outer[::-1], shape[::-1], strict=True
            )
        )
        place = (window.inner[0].start, window.inner[1].start)
        found.append((place, np.stack([x, y, fine[rows, columns] / limit[rows, columns] * LEAST], axis=1)))

    canvas.each((shape[0], shape[1]), look, reach=reach, pixel_bytes=40)
    every = np.concatenate([part for _, part in sorted(found, key=lambda item: item[0])])
    return every[np.lexsort((every[:, 0], every[:, 1], -every[:, 2]))]


def apart_from(found: Float64, more: Float64, least_px: float) -> Float64:
    """Points (n, 3) of ``more`` that are not where one of ``found`` is already.

    >>> apart_from(np.array([[5.0, 5.0, 9.0]]), np.array([[5.5, 5.0, 7.0], [9.0, 5.0, 6.0]]), 2.0).tolist()
    [[9.0, 5.0, 6.0]]
    """
    if not len(found) or not len(more):
        return more
    apart, _ = spatial.cKDTree(found[:, :2]).query(more[:, :2])
    return np.asarray(more[apart > least_px])


def _usual(fine: Float32, noise: float) -> Float32:
    """What fine structure is usual around each pixel, at least the noise."""
    ny, nx = (-(-side // CELL_PX) for side in fine.shape)
    padded = np.pad(
        np.abs(fine), ((0, ny * CELL_PX - fine.shape[0]), (0, nx * CELL_PX - fine.shape[1])), mode="edge"
    )
    blocks = padded.reshape(ny, CELL_PX, nx, CELL_PX).transpose(0, 2, 1, 3).reshape(ny, nx, -1)
    cells = median_filter(np.quantile(blocks, QUIET, axis=2) / OF_SIGMA, 5)
    wide = np.repeat(np.repeat(np.maximum(cells, noise), CELL_PX, axis=0), CELL_PX, axis=1)
    return np.asarray(wide[: fine.shape[0], : fine.shape[1]], dtype=np.float32)


def _offset(
    fine: Float32, rows: npt.NDArray[np.int64], columns: npt.NDArray[np.int64], down: int, right: int
) -> Float64:
    """Where the parabola through a maximum and its neighbours is highest, from its middle."""
    wide = np.pad(fine, 1, mode="edge")
    before, middle, after = (
        wide[rows + 1 + k * down, columns + 1 + k * right].astype(np.float64) for k in (-1, 0, 1)
    )
    bend = np.minimum(before - 2 * middle + after, -1e-12)
    return np.clip(0.5 * (before - after) / bend, -0.5, 0.5)
