"""A raw frame as two small pictures: the whole field, and its middle sample by sample. Frames are only read."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from fourlight.core.rawgrey import grey_of, over_noise
from fourlight.core.shrunk import shrunk
from fourlight.io.export import png_bytes
from fourlight.io.pixels import PixelSource, samples_of

__all__ = ["DETAIL_PX", "RawPictures", "raw_pictures"]

Float32 = npt.NDArray[np.float32]
Uint8 = npt.NDArray[np.uint8]

LONGEST_PX = 640
"""Longer side of the whole field."""
DETAIL_PX = 128
"""Side of the middle."""
BAND_ROWS = 128
"""Rows that are read at a time, or a few more."""


@dataclass(frozen=True, slots=True)
class RawPictures:
    """Both pictures as PNG."""

    field: bytes
    detail: bytes


def raw_pictures(path: Path) -> RawPictures:
    """Pictures of a raw frame, grey for want of a balance of its colours.

    A FITS file is read in bands of rows where it lies; one that is packed, and camera raw, is unpacked into memory.

    Raises
    ------
    FrameError
        The file cannot be read.
    """
    source = samples_of(path, None)
    return RawPictures(png_bytes(_field(source)), png_bytes(_detail(source)))


def _field(source: PixelSource) -> Uint8:
    """The whole field, each of its pixels the mean of a square of whole cells of the mosaic."""
    ny, nx = (side // 2 * 2 for side in source.shape)
    factor = -(-max(ny, nx) // 2 // LONGEST_PX)
    step = 2 * factor
    out = np.full((4, -(-ny // step), -(-nx // step)), np.nan, np.float32)
    rows = step * -(-BAND_ROWS // step)
    for y in range(0, ny, rows):
        band = source.read(y, min(y + rows, ny), 0, nx)
        for place in range(4):
            small = shrunk(band[place // 2 :: 2, place % 2 :: 2], factor)
            out[place, y // step : y // step + len(small)] = small
    return grey_of(_together([over_noise(plane) for plane in out]))


def _together(planes: list[Float32]) -> Float32:
    """Mean of planes where they have values."""
    known = np.isfinite(planes)
    sums = np.where(known, planes, 0).sum(axis=0)
    with np.errstate(invalid="ignore"):
        return np.asarray(sums / np.where(known.any(axis=0), known.sum(axis=0), np.nan), np.float32)


def _detail(source: PixelSource) -> Uint8:
    """Samples of the middle: a star that is white has the same grey in all colours."""
    ny, nx = source.shape
    y, x = (max(0, (side - DETAIL_PX) // 4 * 2) for side in (ny, nx))
    samples = source.read(y, y + DETAIL_PX, x, x + DETAIL_PX)
    for place in range(4):
        part = samples[place // 2 :: 2, place % 2 :: 2]
        part[:] = over_noise(part)
    return grey_of(samples)
