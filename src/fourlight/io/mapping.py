"""Samples of a frame, from a file mapped for the moment of each read, or held in memory."""

from __future__ import annotations

import mmap
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from fourlight.core.stored import fill_from_words
from fourlight.errors import FrameError

__all__ = ["HeldPixels", "MappedPixels", "scaled"]

Float32 = npt.NDArray[np.float32]


def scaled(stored: npt.NDArray[np.generic], scale: float, zero: float, blank: int | None) -> Float32:
    """Physical values ``zero + scale * stored`` (FITS Standard 4.0 equation 3) as a new array.

    Parameters
    ----------
    stored : array of any number type and byte order
    scale, zero : float
        BSCALE and BZERO.
    blank : int or None
        Stored integer that means undefined; becomes NaN.

    Returns
    -------
    float32 array of the same shape
        Undefined samples, and those beyond the range of float32, are NaN.
    """
    wide = stored.dtype.itemsize > 2 and stored.dtype.kind in "iu"
    with np.errstate(over="ignore"):
        if wide or scale != 1.0 or zero != int(zero):
            # float32 would lose the low bits of 32-bit integers before the offset brings them near zero
            values = (stored.astype(np.float64) * scale + zero).astype(np.float32)
        else:
            values = stored.astype(np.float32)
            if zero:
                values += np.float32(zero)
    if stored.dtype.kind == "f" or scale != 1.0:
        values[np.isinf(values)] = np.nan
    if blank is not None and stored.dtype.kind in "iu":
        values[stored == blank] = np.nan
    return values


@dataclass(frozen=True, slots=True)
class MappedPixels:
    """Image stored uncompressed in a file.

    The file is mapped only while a rectangle is read: no handle stays open, so neither the number of frames
    nor the user's wish to move a file meets a limit.
    """

    path: Path
    start: int
    """Byte at which the first sample lies."""
    dtype: np.dtype[np.generic]
    shape: tuple[int, int]
    scale: float = 1.0
    zero: float = 0.0
    blank: int | None = None

    def read(self, y0: int, y1: int, x0: int, x1: int, step: int = 1) -> Float32:
        """Rows ``y0:y1:step``, columns ``x0:x1`` as a new float32 array.

        Raises
        ------
        FrameError
            The file is gone or shorter than it was.
        """
        ny, nx = self.shape
        y0, y1, x0, x1 = max(y0, 0), min(y1, ny), max(x0, 0), min(x1, nx)
        if y1 <= y0 or x1 <= x0:
            return np.empty((len(range(y0, y1, step)), max(x1 - x0, 0)), dtype=np.float32)
        row = nx * self.dtype.itemsize
        begin = self.start + y0 * row
        page = begin // mmap.ALLOCATIONGRANULARITY * mmap.ALLOCATIONGRANULARITY
        length = self.start + y1 * row - page
        try:
            with self.path.open("rb") as file:
                mapped = mmap.mmap(file.fileno(), length, access=mmap.ACCESS_READ, offset=page)
        except (OSError, ValueError) as error:
            raise FrameError(str(self.path), f"cannot be read any more: {error}") from None
        stored = np.frombuffer(mapped, self.dtype, count=(y1 - y0) * nx, offset=begin - page).reshape(-1, nx)
        if self._is_words:
            out = np.empty((len(range(y0, y1, step)), x1 - x0), dtype=np.float32)
            signed, swapped = self.dtype.kind == "i", not self.dtype.isnative
            fill_from_words(stored.view(np.uint16), x0, step, swapped, signed, float(self.zero), out)
            return out
        return scaled(stored[::step, x0:x1], self.scale, self.zero, self.blank)

    @property
    def _is_words(self) -> bool:
        """Whether samples are whole numbers of 16 bits with nothing but an offset to add, as nearly all are."""
        whole = self.dtype.itemsize == 2 and self.dtype.kind in "iu" and self.blank is None
        return whole and self.scale == 1.0 and self.zero == int(self.zero) and abs(self.zero) < 2**20


@dataclass(frozen=True, slots=True)
class HeldPixels:
    """Image held in memory, already in physical values."""

    samples: npt.NDArray[np.generic]

    @property
    def shape(self) -> tuple[int, int]:
        """``(ny, nx)``."""
        return (self.samples.shape[0], self.samples.shape[1])

    def read(self, y0: int, y1: int, x0: int, x1: int, step: int = 1) -> Float32:
        """Rows ``y0:y1:step``, columns ``x0:x1`` as a new float32 array."""
        return self.samples[y0:y1:step, x0:x1].astype(np.float32)
