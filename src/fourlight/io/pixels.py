"""Pixels of a raw frame, read a rectangle at a time so that memory stays bounded."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import numpy as np
import numpy.typing as npt

from fourlight.frames import RawFrame
from fourlight.io import camera_raw, fits
from fourlight.io.mapping import HeldPixels, MappedPixels
from fourlight.io.room import whole, writing

__all__ = ["HELD_BYTES", "PixelSource", "decoded_bytes", "held", "masked", "open_pixels", "samples_of"]

HELD_BYTES = 4
"""Most per pixel of a frame that is held."""


class PixelSource(Protocol):
    """Read-only access to the samples of one raw frame, in ADU as the file means them (BZERO applied)."""

    @property
    def shape(self) -> tuple[int, int]:
        """``(ny, nx)`` of the active area."""
        ...

    def read(self, y0: int, y1: int, x0: int, x1: int, step: int = 1) -> npt.NDArray[np.float32]:
        """Samples of rows ``y0:y1:step`` and columns ``x0:x1`` as a new float32 array; undefined ones are NaN."""
        ...


@dataclass(frozen=True, slots=True)
class _Masked:
    """Samples of a frame without those of its blank rows, which are NaN."""

    whole: PixelSource
    rows: tuple[tuple[int, int], ...]

    @property
    def shape(self) -> tuple[int, int]:
        return self.whole.shape

    def read(self, y0: int, y1: int, x0: int, x1: int, step: int = 1) -> npt.NDArray[np.float32]:
        samples = self.whole.read(y0, y1, x0, x1, step)
        for first, end in self.rows:
            # rounded up to the next row that was read
            samples[-(min(y0 - first, 0) // step) : -(min(y0 - end, 0) // step)] = np.nan
        return samples


def open_pixels(frame: RawFrame, decoded: Path | None) -> PixelSource:
    """Access to the samples of a frame; those of its ``blank_rows`` are undefined.

    Plain FITS is mapped where it lies. Gzip, tiled FITS and camera raw are decoded once into the folder
    ``decoded`` (uint16 where that loses nothing, else float32) and mapped from there; later calls find the
    decoded file again as long as the raw file has the same path, size and time.

    Parameters
    ----------
    frame : RawFrame
        As `fourlight.io.scan.scan` returns it.
    decoded : Path or None
        Folder for decoded frames, made where it is missing; None decodes into memory.

    Raises
    ------
    FrameError
        The file cannot be read or is damaged.
    OutputError
        The folder ``decoded`` cannot be written to.
    """
    return masked(samples_of(frame.path, decoded), frame)


def held(frame: RawFrame) -> PixelSource:
    """The samples of a frame, read once and held in memory, whatever becomes of its file; see `open_pixels`.

    Raises
    ------
    FrameError
        The file cannot be read or is damaged.
    """
    source = samples_of(frame.path, None)
    if isinstance(source, MappedPixels):
        ny, nx = source.shape
        source = HeldPixels(fits.narrowed(source.read(0, ny, 0, nx)))
    return masked(source, frame)


def masked(source: PixelSource, frame: RawFrame) -> PixelSource:
    """The samples of a frame with those of its blank rows undefined."""
    return _Masked(source, frame.blank_rows) if frame.blank_rows else source


def samples_of(path: Path, decoded: Path | None) -> PixelSource:
    """Access to all samples of a file, whatever is known of the frame; see `open_pixels`."""
    image = None if camera_raw.is_camera_raw(path) else fits.find_image(path)
    if image is not None and image.packing == "none":
        return fits.mapped(image)

    def decode() -> npt.NDArray[np.generic]:
        return fits.rows(image, 0, image.ny) if image else camera_raw.read(path)[1]

    return HeldPixels(decode()) if decoded is None else _cached(path, decoded, decode)


def decoded_bytes(frame: RawFrame, decoded: Path) -> int:
    """Room that `open_pixels` will take in the folder ``decoded``; 0 where the frame is mapped or already there.

    Raises
    ------
    FrameError
        The file cannot be read.
    """
    wide = False
    if not camera_raw.is_camera_raw(frame.path):
        image = fits.find_image(frame.path)
        if image.packing == "none":
            return 0
        wide = image.bitpix not in (8, 16)
    return 0 if (decoded / _name(frame.path)).exists() else (4 if wide else 2) * frame.ny * frame.nx


def _cached(path: Path, folder: Path, decode: Callable[[], npt.NDArray[np.generic]]) -> MappedPixels:
    """The decoded frame mapped from ``folder``, decoding it first where it is not there yet."""
    target = folder / _name(path)
    if not target.exists():
        samples = decode()
        with writing(folder):
            folder.mkdir(parents=True, exist_ok=True)
        with whole(target) as part, part.open("wb") as file:
            np.lib.format.write_array(file, np.ascontiguousarray(samples), version=(1, 0))
    with target.open("rb") as file:
        np.lib.format.read_magic(file)
        shape, _, dtype = np.lib.format.read_array_header_1_0(file)
        return MappedPixels(target, file.tell(), dtype, (shape[0], shape[1]))


def _name(path: Path) -> str:
    state = path.stat()
    key = f"{path.resolve()}|{state.st_size}|{state.st_mtime_ns}"
    return f"{path.name}-{hashlib.blake2b(key.encode(), digest_size=8).hexdigest()}.npy"
