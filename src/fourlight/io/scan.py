"""The search through files and folders for raw frames."""

from __future__ import annotations

import os
from collections.abc import Collection, Iterable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from fourlight.core.cfa import ODD
from fourlight.core.overexposed import OVEREXPOSED, mostly_full
from fourlight.errors import FrameError, InputError
from fourlight.frames import RawFrame, Role, SetAside
from fourlight.io import camera_raw, dates, fits, headers, nights, roles
from fourlight.recipe_read import Read

__all__ = ["MARKER", "Scan", "files_below", "scan"]

MARKER = ".fourlight"
"""Name of a file in folders that the program itself fills: they hold results, never raw frames."""
BAND_ROWS = 64
READERS = 4


@dataclass(frozen=True, slots=True)
class Scan:
    """What was found."""

    frames: tuple[RawFrame, ...]
    set_aside: tuple[SetAside, ...]
    odd_folders: tuple[str, ...] = ()
    """What is odd about the folders that were named, one sentence each."""
    noon_notes: tuple[str, ...] = ()
    """Where noon was taken for frames that do not tell it, one sentence each."""

    @property
    def notes(self) -> tuple[str, ...]:
        """What was assumed about the frames as a whole, one sentence each."""
        return (*self.odd_folders, *self.noon_notes)


def scan(paths: Iterable[Path], read: Read | None = None, only: Collection[Path] | None = None) -> Scan:
    """All raw frames below some files and folders, with what their headers, names and pixels say.

    Parameters
    ----------
    paths : iterable of Path
        Files, or folders that are searched through; hidden files and folders are left out.
    read : Read or None
        Settings that outrank headers (longitude, gain, read noise, black and full level).
    only : collection of Path or None
        Look at no other files than these, written as the search would write them.

    Returns
    -------
    Scan
        Frames sorted by path; files that cannot be used with the reason.

    Raises
    ------
    InputError
        A path does not exist, or there is no file of a known kind at all.
    """
    settings = read or Read()
    found, denied, empty = _files([Path(path) for path in paths])
    if only is not None:
        empty = []
        found = [item for item in found if item[0] in only]
    pool = ThreadPoolExecutor(READERS)
    try:
        results = list(pool.map(lambda item: _frame(item[0], item[1], settings), found))
    finally:
        pool.shutdown(cancel_futures=True)
    frames, noon_notes = nights.assign(
        [result for result in results if isinstance(result, RawFrame)], settings.longitude_deg
    )
    aside = [result for result in results if isinstance(result, SetAside)]
    return Scan(frames, (*denied, *aside), tuple(empty), noon_notes)


def files_below(folder: Path) -> list[Path]:
    """Files of a known kind below a folder as it is now, as `scan` would find them."""
    return list(_walk(folder, []))


def _files(paths: list[Path]) -> tuple[list[tuple[Path, Path]], list[SetAside], list[str]]:
    """Files of a known kind, each once, with the folder the user named; what could not be looked into; empty folders.

    A folder with nothing in it may be the wrong one: a sentence for each.
    """
    found: dict[str, tuple[Path, Path]] = {}
    denied: list[SetAside] = []
    empty: list[str] = []
    for path in dict.fromkeys(paths):
        if os.path.isdir(path):
            before = len(denied)
            there = list(_walk(path, denied))
            for file in there:
                found.setdefault(os.path.realpath(file), (file, path))
            if not there and len(denied) == before:
                what = "holds results" if (path / MARKER).exists() else "holds no raw frame"
                empty.append(f"{path}: {what}; see that it is the folder that was meant.")
        elif astray := _astray(path):
            denied.append(SetAside(path, "read", astray))
        elif os.path.lexists(path):
            found.setdefault(os.path.realpath(path), (path, path.parent))
        else:
            raise InputError(f"{path}: no such file or folder; name files or folders of raw frames")
    if not found and not denied:
        named = ", ".join(str(path) for path in paths) or "nothing"
        raise InputError(
            f"no raw frame found in {named}; name files or folders that hold FITS files (.fits, .fit, .fts, also .gz "
            "or .fz) or camera raw files"
        )
    return sorted(found.values()), denied, empty


def _walk(top: Path, denied: list[SetAside]) -> Iterator[Path]:
    """Files of a known kind below a folder. Links are followed, but no folder is entered twice."""
    seen: set[tuple[int, int]] = set()

    def refused(error: OSError) -> None:
        denied.append(SetAside(Path(error.filename), "read", f"the folder cannot be read: {error.strerror}"))

    for folder, below, names in os.walk(top, followlinks=True, onerror=refused):
        try:
            state = Path(folder).stat()
        except OSError as error:
            refused(error)
            below.clear()
            continue
        if (state.st_dev, state.st_ino) in seen:
            below.clear()
            continue
        seen.add((state.st_dev, state.st_ino))
        if MARKER in names:
            below.clear()
            continue
        below[:] = sorted(name for name in below if not name.startswith("."))
        for path in (Path(folder, name) for name in sorted(names) if not name.startswith(".")):
            if astray := _astray(path):
                denied.append(SetAside(path, "read", astray))
            elif _is_known(path.name):
                yield path


def _astray(path: Path) -> str | None:
    """Why a link leads nowhere (its disk may be missing); None for everything else."""
    if not os.path.islink(path):
        return None
    try:
        path.stat()
    except OSError as error:
        return (
            f"a link to {os.readlink(path)}, which cannot be followed ({error.strerror}); connect the disk it leads to "
            "or take the link away"
        )
    return None


def _is_known(name: str) -> bool:
    return name.lower().endswith(fits.ENDS) or camera_raw.is_camera_raw(Path(name))


def _frame(path: Path, top: Path, read: Read) -> RawFrame | SetAside:
    """One frame, or why it cannot be used."""
    try:
        return _usable(path, top, read)
    except FrameError as error:
        reason = error.reason
    except Exception as error:  # one file, however odd, never ends the search
        reason = f"cannot be read ({type(error).__name__}: {error})"
    return SetAside(path, "read", reason, _stated_role(path, top))


def _stated_role(path: Path, top: Path) -> Role | None:
    """What a file that cannot be used is for, by its header, else by the words of its name and folders."""
    role = None if camera_raw.is_camera_raw(path) else roles.from_cards(fits.stated_cards(path))
    named = roles.from_path(path, top)
    return role or (named[0] if named else None)


def _usable(path: Path, top: Path, read: Read) -> RawFrame:
    facts, bands, role = _camera_frame(path) if camera_raw.is_camera_raw(path) else _fits_frame(path)
    facts |= {
        name: value
        for name in ("gain_e_per_adu", "read_noise_e", "black_adu", "saturation_adu")
        if (value := getattr(read, name)) is not None
    }
    problems = list(facts.pop("problems"))
    named = (role, "header") if role else roles.from_path(path, top)
    if named is None:
        named = roles.from_pixels(bands, facts["exposure_s"], facts["saturation_adu"]), "pixels"
        problems.append(f"neither header nor name says the kind; the pixels look like those of a {named[0]}")
    if named[0] is Role.LIGHT and _overexposed(bands, facts):
        problems.append(OVEREXPOSED)
    if facts["time"] is None and not facts.get("night"):
        facts |= _named_date(path, problems)
    told = "exposure_s" in dict(facts.get("unread", ()))
    if facts["exposure_s"] is None and named[0] is not Role.BIAS and not told:
        problems.append("exposure not stated")
    return RawFrame(path=path, role=named[0], role_source=named[1], problems=tuple(problems), **facts)


def _named_date(path: Path, problems: list[str]) -> dict[str, Any]:
    """Date in the file's name, for a frame whose header has none."""
    found = dates.from_name(path.name)
    if found is None:
        return {}
    day, moment = found
    what = "date and time (as UTC) are those" if moment else "the date is that"
    problems.append(f"no date in the header; {what} of the file name")
    return {"time": moment, "zone_known": False} if moment else {"night": day.isoformat()}


Found = tuple[dict[str, Any], list[npt.NDArray[np.float32]], Role | None]


def _fits_frame(path: Path) -> Found:
    image = fits.find_image(path)
    if roles.is_result(image.cards):
        raise FrameError(
            str(path), "a result or simulated truth, not a raw frame; point at the raw frames alone"
        )
    facts = headers.facts(image.cards, image.ny, image.nx, image.bitpix)
    first = [0] if image.packing == "gzip" else _starts(image.ny)
    bands = [fits.rows(image, y, min(y + BAND_ROWS, image.ny)).astype(np.float32) for y in first]
    bands = [band for band in bands if np.isfinite(band).any()]
    if _constant(bands):
        bands = [fits.rows(image, 0, image.ny).astype(np.float32)]
        if _constant(bands):
            raise FrameError(str(path), _constant_reason(bands, facts["saturation_adu"]))
    if roles.is_master(image.cards):
        facts["problems"] += ("called a master in the header; single frames give better error bars",)
    facts |= {"hdu": image.hdu, "ny": image.ny, "nx": image.nx}
    return facts, bands, roles.from_cards(image.cards)


def _camera_frame(path: Path) -> Found:
    said, samples = camera_raw.read(path)
    if _constant([samples]):
        raise FrameError(str(path), _constant_reason([samples], said.saturation_adu))
    ny, nx = samples.shape
    facts: dict[str, Any] = {
        "hdu": 0, "ny": ny, "nx": nx, "mosaic": said.mosaic, "mosaic_source": "camera raw",
        "exposure_s": said.exposure_s, "gain_setting": said.iso, "focal_mm": said.focal_mm, "time": said.time,
        "camera": said.camera, "black_adu": said.black_adu, "saturation_adu": said.saturation_adu,
    }  # fmt: skip
    unsure = said.time is not None and not said.zone_known
    facts["zone_known"] = not unsure
    facts["problems"] = ("the camera clock states no time zone; it is read as UTC",) if unsure else ()
    return facts, [samples[y : y + BAND_ROWS].astype(np.float32) for y in _starts(ny)], None


def _starts(ny: int) -> list[int]:
    """Even first rows of three bands spread over the frame."""
    return sorted({max(min(ny * part // 10, ny - BAND_ROWS), 0) // 2 * 2 for part in (1, 5, 9)})


def _overexposed(bands: list[npt.NDArray[np.float32]], facts: Mapping[str, Any]) -> bool:
    """Whether most samples of some rows are full."""
    gain = facts.get("gain_e_per_adu")
    rows = np.concatenate([band[::ODD] for band in bands])
    return mostly_full(rows, facts["saturation_adu"], 1 / gain if gain else None)


def _constant(bands: list[Any]) -> bool:
    values = [(np.nanmin(band), np.nanmax(band)) for band in bands if np.isfinite(band).any()]
    return not values or min(low for low, _ in values) == max(high for _, high in values)


def _constant_reason(bands: list[Any], full: float | None) -> str:
    if not any(np.isfinite(band).any() for band in bands):
        return "all samples are undefined (NaN); nothing was exposed or the file is damaged; leave it out"
    value = float(np.nanmax(bands[0]))
    if full is not None and value >= full:
        return f"all samples are {value:g}, the highest value there is: overexposed; expose it shorter"
    return f"all samples are {value:g}; nothing was exposed or the file is damaged; leave it out"
