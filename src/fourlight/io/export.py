"""Pictures on disk: 16-bit TIFF, 16-bit PNG and JPEG with an sRGB profile; equal pixels give equal bytes."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterable, Iterator
from functools import partial
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import tifffile
from PIL import Image, ImageCms, UnidentifiedImageError
from PIL.ImageFile import ImageFile
from PIL.JpegImagePlugin import JpegImageFile
from PIL.PngImagePlugin import PngImageFile

from fourlight.engine import in_order
from fourlight.io.room import whole

__all__ = [
    "jpeg_bytes",
    "own_picture",
    "own_tiff",
    "png_bytes",
    "save_picture",
    "save_tiff",
    "shallow",
    "srgb_profile",
]

Float32 = npt.NDArray[np.float32]

PNG_SIGNATURE = b"\x89PNG\r\n\x1a\n"
FIXED_DATE = struct.pack(">6H", 2000, 1, 1, 0, 0, 0)
"""Creation date in the profile header, so that identical runs give identical files."""

BAND_ROWS = 64
"""Rows that are worked on at a time."""

STRIP_BYTES = 1 << 18
"""Of a strip of a TIFF file before it is packed."""


def save_picture(rgb: Float32, stem: Path, jpeg_quality: int = 93, threads: int = 1) -> list[Path]:
    """Write ``stem.tif``, ``stem.png`` (16 bits per channel) and ``stem.jpg``.

    Parameters
    ----------
    rgb : (ny, nx, 3) float32
        sRGB-encoded, 0 to 1; outside values are clipped, NaN becomes 0.
    stem : Path
        Path without suffix, such as ``OUT/picture``.
    jpeg_quality : int
        1 to 100; colour is not subsampled.
    threads : int
        Files that are written at the same time.

    Returns
    -------
    list of Path
        The three files.

    Raises
    ------
    OutputError
        A file cannot be written.
    """
    if rgb.ndim != 3 or rgb.shape[2] != 3:
        raise ValueError(f"a picture is (ny, nx, 3), not {rgb.shape}")
    paths = [stem.with_name(stem.name + suffix) for suffix in (".tif", ".png", ".jpg")]
    ways = (_write_tiff, _write_png, partial(_write_jpeg, quality=jpeg_quality))

    def write(k: int) -> None:
        with whole(paths[k]) as part:
            ways[k](rgb, part)

    for _ in in_order(write, range(len(paths)), threads):
        pass
    return paths


def _write_jpeg(rgb: Float32, path: Path, quality: int) -> None:
    path.write_bytes(jpeg_bytes(shallow(rgb), quality))


def shallow(rgb: Float32) -> npt.NDArray[np.uint8]:
    """The picture in 8 bits per channel, made band by band."""
    out = np.empty(rgb.shape, dtype=np.uint8)
    for y in range(0, len(rgb), BAND_ROWS):
        out[y : y + BAND_ROWS] = _whole_numbers(rgb[y : y + BAND_ROWS], 255)
    return out


def _whole_numbers(rgb: Float32, top: int) -> Float32:
    numbers = np.fmax(rgb, np.float32(0), dtype=np.float32)  # of a number and NaN it is the number
    np.minimum(numbers, np.float32(1), out=numbers)
    numbers *= np.float32(top)
    return np.rint(numbers, out=numbers)


def _deep(rgb: Float32, rows: int) -> Iterator[npt.NDArray[np.uint16]]:
    """Bands of so many rows in 16 bits per channel."""
    for y in range(0, len(rgb), rows):
        yield _whole_numbers(rgb[y : y + rows], 65535).astype(np.uint16)


def srgb_profile() -> bytes:
    """ICC profile of sRGB with a fixed creation date (ICC.1:2010 section 7.2, bytes 24 to 35)."""
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    return profile[:24] + FIXED_DATE + profile[36:]


def save_tiff(rgb: Float32, path: Path, profile: bytes) -> None:
    """Write one 16-bit TIFF file with a colour profile; see `save_picture`."""
    with whole(path) as part:
        _write_tiff(rgb, part, profile)


def _write_tiff(rgb: Float32, path: Path, profile: bytes | None = None) -> None:
    """Not packed: the noise of 16 bits lets packing save a tenth of the file, for most of the time of writing it."""
    rows = max(1, STRIP_BYTES // (rgb.shape[1] * 6))
    tifffile.imwrite(
        path,
        (band.tobytes() for band in _deep(rgb, rows)),
        shape=rgb.shape,
        dtype=np.uint16,
        rowsperstrip=rows,
        photometric="rgb",
        iccprofile=profile or srgb_profile(),
        metadata=None,
        software="Fourlight",
    )


def _write_png(rgb: Float32, path: Path) -> None:
    ny, nx, _ = rgb.shape
    with path.open("wb") as file:
        file.write(PNG_SIGNATURE)
        for chunk in _png_chunks(ny, nx, np.dtype(np.uint16), _deep(rgb, BAND_ROWS)):
            file.write(chunk)


def _png_chunks(ny: int, nx: int, dtype: np.dtype[Any], bands: Iterable[npt.NDArray[Any]]) -> Iterator[bytes]:
    """Chunks of a PNG (W3C PNG section 11): header, sRGB profile with its fallback values, pixels, end."""
    yield _chunk(b"IHDR", struct.pack(">IIBBBBB", nx, ny, 8 * dtype.itemsize, 2, 0, 0, 0))
    yield _chunk(b"gAMA", struct.pack(">I", 45455))
    yield _chunk(b"cHRM", struct.pack(">8I", 31270, 32900, 64000, 33000, 30000, 60000, 15000, 6000))
    yield _chunk(b"iCCP", b"sRGB\0\0" + zlib.compress(srgb_profile(), 9))
    # Huffman codes alone: in the noise of a picture hardly anything comes twice, and looking for it takes long.
    packer = zlib.compressobj(1, zlib.DEFLATED, zlib.MAX_WBITS, 9, zlib.Z_HUFFMAN_ONLY)
    above = np.zeros(nx * 3 * dtype.itemsize, dtype=np.uint8)
    for band in bands:
        data, above = _filtered_rows(band, above)
        packed = packer.compress(data)
        if packed:
            yield _chunk(b"IDAT", packed)
    yield _chunk(b"IDAT", packer.flush())
    yield _chunk(b"IEND", b"")


def _filtered_rows(
    rows: npt.NDArray[np.uint16] | npt.NDArray[np.uint8], above: npt.NDArray[np.uint8]
) -> tuple[bytes, npt.NDArray[np.uint8]]:
    """Big-endian bytes of the rows, each less the row above it (PNG filter 2), and the last row as it is."""
    plain = rows.astype(rows.dtype.newbyteorder(">")).reshape(len(rows), -1).view(np.uint8)
    shifted = np.concatenate([above[None], plain[:-1]])
    marked = np.empty((len(rows), plain.shape[1] + 1), dtype=np.uint8)
    marked[:, 0] = 2
    np.subtract(plain, shifted, out=marked[:, 1:])
    return marked.tobytes(), plain[-1].copy()


def _chunk(name: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))


def jpeg_bytes(picture: npt.NDArray[np.uint8], quality: int) -> bytes:
    """An (ny, nx, 3) or (ny, nx) picture of 8 bits as JPEG, colour at full resolution."""
    buffer = BytesIO()
    # no optimised tables: for noisy pictures they outgrow the encoder's buffer
    image = Image.fromarray(picture)
    if picture.ndim == 3:
        image.save(buffer, "JPEG", quality=quality, subsampling=0, icc_profile=srgb_profile())
    else:
        image.save(buffer, "JPEG", quality=quality)
    return buffer.getvalue()


def own_picture(path: Path) -> ImageFile:
    """A JPEG or PNG file that this program wrote, open to be read, of whatever size.

    ``Image.open`` warns of 89 million pixels and refuses twice as many, as a file of strangers may be made to fill the
    memory; a picture of a large sensor with half its pixel scale has more.

    Raises
    ------
    OSError
        It is not there, cannot be read or is no such file.
    """
    kind = PngImageFile if path.suffix.lower() == ".png" else JpegImageFile
    try:
        return kind(path)
    except SyntaxError as error:  # so both say that it is something else
        raise UnidentifiedImageError(f"{path.name} is no picture: {error}") from None


def own_tiff(path: Path) -> npt.NDArray[np.uint16]:
    """Pixels (ny, nx, 3) of a TIFF file that this program wrote, mapped: read as they are asked for.

    Raises
    ------
    OSError
        It is not there, cannot be read or is no such file.
    """
    try:
        pixels = tifffile.memmap(path, mode="r")
    except OSError:
        raise
    except Exception as error:  # whatever damaged tags lead to
        raise OSError(f"{path.name} is no picture: {error}") from None
    if pixels.dtype != np.uint16 or pixels.ndim != 3 or pixels.shape[2] != 3:
        raise OSError(f"{path.name} is no picture of three channels in 16 bits")
    return pixels


def png_bytes(picture: npt.NDArray[np.uint8]) -> bytes:
    """An (ny, nx, 3) or (ny, nx) picture of 8 bits as PNG, to be shown at once: hardly packed."""
    buffer = BytesIO()
    Image.fromarray(picture).save(buffer, "PNG", compress_level=1)
    return buffer.getvalue()
