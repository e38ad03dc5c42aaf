"""What frames tell of each other: whose stars are sharp, how bright, and which frames lie on the same places."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from fourlight.core import maps
from fourlight.frames import MeasuredFrame, RegisteredFrame
from fourlight.stages.grid import Grid

__all__ = ["FEWEST_FRAMES", "repeated", "sharpness", "star_peaks", "together", "typical_width"]

Float64 = npt.NDArray[np.float64]

FEWEST_FRAMES = 3
"""Frames whose noise is checked on residuals between them: two alone cannot say which of them is the noisier one."""


def sharpness(frames: Sequence[RegisteredFrame]) -> Float64:
    """(f, 4) area of the sharpest frame's stars over that of each frame's; 1 where a frame has no width.

    A star is spread over so many samples that the variance of its light grows with the area of its image (noise
    equivalent area, King 1983).
    """
    scale = np.sqrt([abs(np.linalg.det(f.matrix[:, :2])) for f in frames])
    width = np.array([f.measured.fwhm_px for f in frames]) * scale[:, None]
    known = np.isfinite(width) & (width > 0)
    least = np.min(np.where(known, width, np.inf), axis=0, initial=np.inf)
    return np.where(known, (least / np.where(known, width, 1.0)) ** 2, 1.0)


def typical_width(frames: Sequence[RegisteredFrame]) -> Float64:
    """Median star width per plane (4,) in pixels of the reference; 2 where no frame has stars."""
    scale = np.sqrt([abs(np.linalg.det(f.matrix[:, :2])) for f in frames])
    width = np.array([f.measured.fwhm_px for f in frames]) * scale[:, None]
    known = np.isfinite(width).any(axis=0)
    return np.where(known, np.nanmedian(np.where(known, width, 2.0), axis=0), 2.0)


def star_peaks(reference: MeasuredFrame, grid: Grid) -> Float64:
    """Place and peak (n, 6) of the reference's stars, as Gaussians of the frame's width."""
    stars = reference.stars
    width = np.where(np.isfinite(reference.fwhm_px), reference.fwhm_px, 2.0)
    peak = np.maximum(np.nan_to_num(stars.flux), 0.0) * 4 * np.log(2) / (np.pi * width**2)
    return np.column_stack([*maps.apply(grid.matrix, stars.x, stars.y), peak])


def repeated(alike: Float64) -> Float64:
    """Noise of masters that is missing in what is seen of the noise of frames, over that of one frame.

    Parameters
    ----------
    alike : (f,) float64
        From `together`: so many times it comes into the stack.

    Noise inside a frame shows it once. Residuals between frames, by which noise is checked where there are enough of
    them, show only as much of it as differs from frame to frame: nothing if no frame is dithered.

    Examples
    --------
    >>> repeated(np.full(2, 2.0)).tolist(), repeated(np.full(5, 5.0)).tolist(), repeated(np.ones(5)).tolist()
    ([1.0, 1.0], [5.0, 5.0, 5.0, 5.0, 5.0], [0.0, 0.0, 0.0, 0.0, 0.0])
    """
    frames = len(alike)
    seen = np.clip((frames - alike) / (frames - 1), 0, 1) if frames >= FEWEST_FRAMES else 1.0
    return np.asarray(alike - seen)


def together(
    frames: Sequence[RegisteredFrame], block_px: float, masters: Sequence[str] | None = None
) -> Float64:
    """How many frames (f,) of the same masters lay the same sensor pixels on the same block of the stack, on average.

    One for frames dithered by more than the block, the number of frames without dithering. Noise of a master
    frame is common to them and does not average out. ``masters`` names those of each frame; None: all have the same.
    """
    names = np.array(masters or [""] * len(frames))
    centre = np.array([[(f.measured.raw.nx - 1) / 2, (f.measured.raw.ny - 1) / 2] for f in frames])
    linear = np.array([f.matrix[:, :2] for f in frames])
    place = np.einsum("fij,fj->fi", linear, centre) + np.array([f.matrix[:, 2] for f in frames])
    out = np.empty(len(frames))
    for k in range(len(frames)):
        overlap = np.clip(1 - np.abs(place - place[k]) / block_px, 0, None).prod(axis=1)
        aligned = np.abs(linear - linear[k]).max(axis=(1, 2)) < 0.1
        out[k] = (overlap * aligned * (names == names[k])).sum()
    return out
