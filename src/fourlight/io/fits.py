"""FITS images: where the raw image of a file lies, and how it is decoded."""

from __future__ import annotations

import gzip
import os
import stat
import struct
import threading
import warnings
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, BinaryIO, cast

import numpy as np
import numpy.typing as npt

from fourlight.errors import FrameError
from fourlight.io.cards import BLOCK, Card, Cards, Unit, walk
from fourlight.io.mapping import MappedPixels, scaled

__all__ = ["ENDS", "FitsImage", "find_image", "mapped", "narrowed", "rows", "stated_cards"]

ENDS = tuple(f"{end}{packed}" for end in (".fits", ".fit", ".fts") for packed in ("", ".gz", ".fz"))
"""Of the names of such files."""
SMALLEST = 32
"""Frames with a shorter side, in pixels, are not taken as frames."""

_WARNINGS = threading.Lock()
"""Filters of warnings belong to the process: only one thread at a time may change them."""

OF_SAMPLES = ("BSCALE", "BZERO", "BLANK")
"""Cards that say how the samples of their own unit are stored, and nothing of another one's."""
NUMBER_TYPES = {8: ">u1", 16: ">i2", 32: ">i4", 64: ">i8", -32: ">f4", -64: ">f8"}


@dataclass(frozen=True, slots=True)
class FitsImage:
    """The raw image of a FITS file."""

    path: Path
    hdu: int
    cards: Cards
    """Cards of the image's unit, then of the primary header where the former are silent, but for `OF_SAMPLES`."""
    ny: int
    nx: int
    bitpix: int
    start: int
    """Byte of the first sample; meaningful only where the image can be mapped."""
    packing: str
    """'none', 'gzip' or 'tiles'."""

    @property
    def scale(self) -> tuple[float, float, int | None]:
        """BSCALE, BZERO and BLANK, which floats have none of (FITS Standard 4.0 sections 4.4.2.5 and 5.3)."""
        scale, zero = _number(self.cards, "BSCALE", 1.0), _number(self.cards, "BZERO", 0.0)
        blank = self.cards.get("BLANK")
        value = blank.value if blank and self.bitpix > 0 else None
        return scale or 1.0, zero, int(value) if isinstance(value, int | float) else None


def _number(cards: Cards, name: str, default: float) -> float:
    value = cards[name].value if name in cards else None
    return float(value) if isinstance(value, int | float) else default


def find_image(path: Path) -> FitsImage:
    """The largest two-dimensional image of a FITS file, in whichever unit it lies; data are not read.

    Raises
    ------
    FrameError
        The file cannot be read, is not FITS, is cut short, or holds no single-plane image.
    """
    try:
        state = path.stat()
        size = state.st_size
        if not stat.S_ISREG(state.st_mode):
            raise FrameError(str(path), "not a plain file (a pipe or device)")
        if size == 0:
            raise FrameError(str(path), "the file is empty (zero bytes); copy it again from the camera")
        with path.open("rb") as raw:
            zipped = raw.read(2) == b"\x1f\x8b"
            raw.seek(0)
            if not zipped:
                return _chosen(path, walk(raw), size, zipped=False)
            with gzip.open(raw) as stream:
                units = walk(cast("BinaryIO", stream), first_image=True)
            return _chosen(path, units, _unzipped_bytes(path, units), zipped=True)
    except FrameError:
        raise
    except PermissionError:
        raise FrameError(str(path), "permission to read the file is denied") from None
    except (OSError, EOFError, ValueError, OverflowError) as error:
        raise FrameError(str(path), _sentence(error)) from None
    except Exception as error:  # zlib.error is no OSError; whatever a damaged file brings is its own fault
        raise FrameError(str(path), f"damaged: {error}") from None


def stated_cards(path: Path) -> Cards:
    """Cards of a file that may not be fit for use, up to its first image; none where there is no header to read."""
    try:
        if not path.is_file():  # opening a pipe would wait for ever
            return {}
        with path.open("rb") as raw:
            zipped = raw.read(2) == b"\x1f\x8b"
            raw.seek(0)
            with gzip.open(raw) if zipped else raw as stream:
                units = walk(cast("BinaryIO", stream), first_image=True)
    except Exception:  # why the file cannot be used is known by now
        return {}
    return {**units[0].cards, **units[-1].cards}


def _sentence(error: Exception) -> str:
    if isinstance(error, EOFError):
        return "the compressed file is cut short; copy it again from the camera"
    return error.strerror if isinstance(error, OSError) and error.strerror else str(error)


def _unzipped_bytes(path: Path, units: list[Unit]) -> int:
    """Size of the decompressed stream, from the last four bytes (RFC 1952) or by decompressing all of it."""
    needed = max((unit.data_start + unit.data_bytes for unit in units), default=0)
    with path.open("rb") as raw:
        raw.seek(-4, os.SEEK_END)
        (stated,) = struct.unpack("<I", raw.read(4))
    if needed <= stated < needed * 4 + 1_000_000:
        return int(stated)
    with gzip.open(path) as stream:  # several members, or cut short: only the whole stream can tell
        return stream.seek(needed)


def _chosen(path: Path, units: list[Unit], size: int, *, zipped: bool) -> FitsImage:
    images = [image for unit in units if (image := _image(path, unit, zipped=zipped))]
    if not images:
        raise FrameError(str(path), _no_image(units))
    best = max(images, key=lambda image: image.ny * image.nx)
    unit = units[best.hdu]
    if unit.data_start + unit.data_bytes > size:
        missing = unit.data_start + unit.data_bytes - size
        raise FrameError(
            str(path),
            f"the file is cut short: {missing:,} bytes of its image are missing; copy it again",
        )
    if min(best.ny, best.nx) < SMALLEST:
        raise FrameError(
            str(path),
            f"the image is only {best.nx} x {best.ny} pixels; a frame needs {SMALLEST} x {SMALLEST} or more",
        )
    shared = {name: card for name, card in units[0].cards.items() if name not in OF_SAMPLES}
    return replace(best, cards={**shared, **best.cards})


def _image(path: Path, unit: Unit, *, zipped: bool) -> FitsImage | None:
    """The image of one unit, if it has one with a single plane."""
    tiled = unit.cards.get("ZIMAGE", Card(False, "")).value is True
    if unit.index and not tiled and unit.cards.get("XTENSION", Card("", "")).value != "IMAGE":
        return None
    axes = _axes(unit)
    while len(axes) > 2 and axes[-1] == 1:
        axes.pop()
    bitpix = unit.integer("ZBITPIX" if tiled else "BITPIX")
    if len(axes) != 2 or min(axes) < 2 or bitpix not in NUMBER_TYPES:
        return None
    packing = "tiles" if tiled else "gzip" if zipped else "none"
    return FitsImage(path, unit.index, unit.cards, axes[1], axes[0], bitpix, unit.data_start, packing)


def _axes(unit: Unit) -> list[int]:
    prefix = "Z" if "ZIMAGE" in unit.cards else ""
    count = min(max(unit.integer(f"{prefix}NAXIS"), 0), 999)
    return [unit.integer(f"{prefix}NAXIS{axis}") for axis in range(1, count + 1)]


def _no_image(units: list[Unit]) -> str:
    """Why none of the units can be used."""
    shapes = [_axes(unit) for unit in units if "ZIMAGE" in unit.cards or "TFIELDS" not in unit.cards]
    cubes = [axes for axes in shapes if len(axes) > 2 and min(axes) > 0]
    if any(3 in (axes[0], axes[-1]) for axes in cubes):
        return "already a colour image (three planes); raw mosaic frames are needed, as the camera wrote them"
    if cubes:
        size = " x ".join(str(side) for side in cubes[0])
        return f"a cube of {size}; one image of two dimensions per file is needed"
    return "holds no image of two dimensions"


def mapped(image: FitsImage) -> MappedPixels:
    """The image mapped from its file; only where the packing is 'none'."""
    return MappedPixels(
        image.path, image.start, np.dtype(NUMBER_TYPES[image.bitpix]), (image.ny, image.nx), *image.scale
    )


def rows(image: FitsImage, y0: int, y1: int) -> npt.NDArray[np.generic]:
    """Rows ``y0:y1`` in physical values: native uint16 where they fit without loss, else float32.

    Of a tiled image only the tiles concerned are decoded, of a gzip file the bytes up to ``y1``.

    Raises
    ------
    FrameError
        The packed data are damaged.
    """
    try:
        if image.packing == "none":
            values: npt.NDArray[np.generic] = mapped(image).read(y0, y1, 0, image.nx)
        else:
            values = _tiles(image, y0, y1) if image.packing == "tiles" else _unzipped(image, y0, y1)
        return narrowed(values.reshape(y1 - y0, image.nx))
    except (FrameError, MemoryError):
        raise
    except Exception as error:  # damaged tiles surface as almost any exception of the decoders
        raise FrameError(str(image.path), f"the packed image is damaged: {error}") from None


def _tiles(image: FitsImage, y0: int, y1: int) -> npt.NDArray[np.generic]:
    # Imported here because few frames are tiled, and it takes a third of a second.
    from astropy.io import fits
    from astropy.utils.exceptions import AstropyWarning

    with image.path.open("rb") as raw:  # a file that the library opens itself stays open where it is damaged
        with _WARNINGS, warnings.catch_warnings():
            warnings.simplefilter("ignore", AstropyWarning)
            section = fits.open(raw, memmap=False, lazy_load_hdus=True)[image.hdu].section
        return np.asarray(section[..., y0:y1, :])


def _unzipped(image: FitsImage, y0: int, y1: int) -> npt.NDArray[np.generic]:
    dtype = np.dtype(NUMBER_TYPES[image.bitpix])
    row = image.nx * dtype.itemsize
    with gzip.open(image.path) as stream:
        stream.seek(image.start + y0 * row)
        stored = np.frombuffer(stream.read((y1 - y0) * row), dtype)
        while y1 == image.ny and stream.read(BLOCK * 100):
            pass  # the sum that tells damage (RFC 1952, CRC-32) stands at the end
    return scaled(stored, *image.scale)


def narrowed(values: npt.NDArray[Any]) -> npt.NDArray[np.generic]:
    """The same values as native uint16 where that loses nothing, else as float32 with NaN for what is infinite."""
    if values.dtype.kind == "u" and values.dtype.itemsize <= 2:
        return values.astype(np.uint16)
    with np.errstate(invalid="ignore"):
        small = values.astype(np.uint16)
    if np.array_equal(small, values):
        return small
    with np.errstate(over="ignore"):
        wide = values.astype(np.float32)
    wide[np.isinf(wide)] = np.nan
    return wide
