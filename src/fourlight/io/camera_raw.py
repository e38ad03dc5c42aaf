"""Camera raw files through LibRaw: the untouched mosaic of the active area, and what the file says of it."""

from __future__ import annotations

import logging
import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import rawpy
import tifffile

from fourlight.core.cfa import PATTERNS
from fourlight.errors import FrameError

__all__ = ["SUFFIXES", "CameraFacts", "is_camera_raw", "read"]

logging.getLogger("tifffile").setLevel(logging.CRITICAL)  # damaged tags are read as far as they go

SUFFIXES = frozenset(
    {".3fr", ".arw", ".cr2", ".cr3", ".crw", ".dcr", ".dng", ".erf", ".fff", ".iiq", ".kdc", ".mef", ".mos"}
    | {".mrw", ".nef", ".nrw", ".orf", ".pef", ".raf", ".raw", ".rw2", ".rwl", ".sr2", ".srf", ".srw", ".x3f"}
)


def is_camera_raw(path: Path) -> bool:
    """Whether the file's name says that it is camera raw."""
    return path.suffix.lower() in SUFFIXES


@dataclass(frozen=True, slots=True)
class CameraFacts:
    """What a camera raw file says of its frame; None where it says nothing."""

    mosaic: str
    black_adu: float
    """One level for all four colours, of the samples that `read` returns."""
    saturation_adu: float | None
    exposure_s: float | None
    iso: float | None
    focal_mm: float | None
    time: datetime | None
    zone_known: bool
    """Whether the file states the camera clock's offset from UTC; if not, the clock is read as UTC."""
    camera: str | None


def read(path: Path) -> tuple[CameraFacts, npt.NDArray[np.uint16]]:
    """What the file says, and the samples of its active area, black level not subtracted.

    Where the camera states different black levels per colour, the differences to the lowest are taken off,
    so that one level holds for all.

    Returns
    -------
    CameraFacts
    (ny, nx) uint16

    Raises
    ------
    FrameError
        No camera raw file, cut short, or no 2 x 2 mosaic.
    """
    try:
        with _opened(path) as raw:
            facts = _facts(path, raw)
            return facts, _levelled(np.array(raw.raw_image_visible, dtype=np.uint16), _blacks(raw))
    except rawpy.LibRawError as error:
        raise FrameError(str(path), f"the file is cut short or damaged ({_words(error)})") from None


def _levelled(image: npt.NDArray[np.uint16], blacks: npt.NDArray[np.uint16]) -> npt.NDArray[np.uint16]:
    for y, x in np.argwhere(blacks > blacks.min()):
        part = image[y::2, x::2]
        np.subtract(part, np.minimum(part, blacks[y, x] - blacks.min()), out=part)
    return image


def _facts(path: Path, raw: Any) -> CameraFacts:
    mosaic, blacks, other = _pattern(path, raw), _blacks(raw), raw.other
    white = float(raw.white_level or 0)
    tags = _tags(path)
    time, zone_known = _time(tags, other.timestamp)
    return CameraFacts(
        mosaic=mosaic,
        black_adu=float(blacks.min()),
        saturation_adu=white - float(blacks.max() - blacks.min()) if white else None,
        exposure_s=_positive(other.shutter_speed) or _positive(tags.get("ExposureTime")),
        iso=_positive(other.iso_speed) or _positive(tags.get("ISOSpeedRatings")),
        focal_mm=_positive(other.focal_length) or _positive(tags.get("FocalLength")),
        time=time,
        zone_known=zone_known,
        camera=str(tags["Model"]).strip() or None if "Model" in tags else None,
    )


def _opened(path: Path) -> Any:
    try:
        if path.stat().st_size == 0:
            raise FrameError(str(path), "the file is empty (zero bytes); copy it again from the camera")
        with path.open("rb"):
            pass
        return rawpy.imread(str(path))
    except PermissionError:
        raise FrameError(str(path), "permission to read the file is denied") from None
    except OSError as error:
        raise FrameError(str(path), error.strerror or str(error)) from None
    except rawpy.LibRawError as error:
        raise FrameError(str(path), f"not a camera raw file that can be read ({_words(error)})") from None


def _words(error: Exception) -> str:
    """What LibRaw says; its "Input/output error" is a file that ends before its data do, not a faulty disk."""
    if isinstance(error, rawpy.LibRawIOError):
        return "its data end too early; copy it again from the camera"
    text = error.args[0] if error.args else ""
    return text.decode("utf-8", "replace") if isinstance(text, bytes) else str(text)


def _pattern(path: Path, raw: Any) -> str:
    """The four letters of the mosaic as seen from the first sample of the active area."""
    if raw.raw_type != rawpy.RawType.Flat or raw.raw_pattern is None:
        raise FrameError(str(path), "already a colour image; raw mosaic frames are needed")
    cell = raw.raw_pattern
    letters = "".join(chr(raw.color_desc[index]) for index in cell.ravel())
    if cell.shape != (2, 2) or letters not in PATTERNS:
        size = f"{cell.shape[1]} x {cell.shape[0]}"
        raise FrameError(str(path), f"its mosaic is {size} ({letters}); a 2 x 2 mosaic of R, G, B is needed")
    return letters


def _blacks(raw: Any) -> npt.NDArray[np.uint16]:
    """(2, 2) black level of each place in the cell."""
    blacks: npt.NDArray[np.uint16] = np.asarray(raw.black_level_per_channel, dtype=np.uint16)[raw.raw_pattern]
    return blacks


def _tags(path: Path) -> dict[str, Any]:
    """TIFF and EXIF tags by name, for the kinds of camera raw that are TIFF inside; else nothing."""
    try:
        with tifffile.TiffFile(path) as file:
            tags = {tag.name: tag.value for tag in file.pages.first.tags}
    except Exception:  # other containers, or tags that tifffile does not accept: LibRaw's own facts remain
        return {}
    exif = tags.get("ExifTag")
    return {**tags, **(exif if isinstance(exif, dict) else {})}


def _positive(value: Any) -> float | None:
    """A positive number from a tag: plain, (numerator, denominator), or the first of several."""
    if isinstance(value, tuple | list):
        value = value[0] / (value[1] or 1) if len(value) == 2 else value[0] if value else None
    return float(value) if isinstance(value, int | float | np.number) and value > 0 else None


def _time(tags: dict[str, Any], stamp: datetime) -> tuple[datetime | None, bool]:
    """Start of the exposure and whether its offset from UTC is stated (EXIF OffsetTimeOriginal)."""
    text = str(tags.get("DateTimeOriginal", "")).strip("\0 ")
    try:
        time = datetime.strptime(text[:19], "%Y:%m:%d %H:%M:%S").replace(tzinfo=UTC)
    except ValueError:
        return (stamp.replace(tzinfo=UTC), False) if stamp.year > 1990 else (None, False)
    zone = re.fullmatch(r"([+-])(\d\d):(\d\d)", str(tags.get("OffsetTimeOriginal", "")).strip("\0 "))
    if zone is None:
        return time, False
    offset = timedelta(hours=int(zone[2]), minutes=int(zone[3]))
    return time - offset if zone[1] == "+" else time + offset, True
