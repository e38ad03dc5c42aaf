"""Gaps in an image closed from what is around them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["fill_gaps"]

Float32 = npt.NDArray[np.float32]

BAND_ROWS = 256
"""Rows that are filled at a time, even."""


def fill_gaps(image: Float32, out: Float32 | None = None) -> Float32:
    """The image with NaN replaced by the mean of the nearest finite surroundings; all NaN gives zeros.

    Gaps are closed from coarser and coarser 2 x 2 means, so that even large ones cost one pass.

    Parameters
    ----------
    image : (ny, nx) float32
    out : the same, optional
        Where the result goes; else a new array, or the image itself where it has no gap.

    Examples
    --------
    >>> fill_gaps(np.array([[1.0, np.nan], [1.0, 1.0]], dtype=np.float32)).tolist()
    [[1.0, 1.0], [1.0, 1.0]]
    """
    parts = [slice(y, y + BAND_ROWS) for y in range(0, len(image), BAND_ROWS)]
    if out is None:
        if all(np.isfinite(image[part]).all() for part in parts):
            return np.ascontiguousarray(image, dtype=np.float32)
        out = np.empty(image.shape, dtype=np.float32)
    if max(image.shape) == 1:
        out[:] = np.nan_to_num(image, nan=0.0, posinf=0.0, neginf=0.0)
        return out
    coarse = np.concatenate([_means(image[part]) for part in parts])
    holds = np.isfinite(coarse).any()
    coarse = fill_gaps(coarse) if holds else np.zeros_like(coarse)
    for part in parts:
        rows = image[part]
        wide = np.repeat(np.repeat(coarse[part.start // 2 : part.stop // 2], 2, axis=0), 2, axis=1)
        out[part] = np.where(np.isfinite(rows), rows, wide[: rows.shape[0], : rows.shape[1]])
    return out


def _means(image: Float32) -> Float32:
    """Mean of the finite pixels of each 2 x 2, NaN where there is none."""
    ny, nx = image.shape
    padded = np.full((ny + ny % 2, nx + nx % 2), np.nan, dtype=np.float32)
    padded[:ny, :nx] = image
    blocks = padded.reshape(padded.shape[0] // 2, 2, padded.shape[1] // 2, 2)
    count = np.isfinite(blocks).sum(axis=(1, 3))
    total = np.nansum(blocks, axis=(1, 3))
    return np.where(count > 0, total / np.maximum(count, 1), np.nan).astype(np.float32)
