"""Room on the disk: files that appear whole or not at all, arrays whose space is taken before they are filled,
and write errors as one clear line.
"""

from __future__ import annotations

import errno
import itertools
import os
import shutil
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import numpy as np

from fourlight.errors import FourlightError, OutputError

__all__ = ["PART", "free_room", "move", "new_array", "whole", "writing"]

CHUNK = 1 << 22
MARGIN = 1.1
"""Free room over that needed, below which it is called close."""
PART = ".part"
"""Ending of files that are being written; one that is found was left by a run that was killed."""

_ADVICE = dict.fromkeys(
    (errno.EACCES, errno.EPERM, errno.EROFS), "choose a folder you may write to, or change its permissions"
) | dict.fromkeys((errno.ENOENT, errno.ENOTDIR, errno.EISDIR, errno.ENAMETOOLONG), "choose another folder")
_numbers = itertools.count()

WAITS_S = (0.02, 0.05, 0.1, 0.2, 0.5, 1.0) if sys.platform == "win32" else ()
"""Between attempts to move a file that is refused."""


@contextmanager
def writing(path: Path) -> Iterator[None]:
    """Turn whatever the system says against writing ``path`` into an `OutputError`.

    Raises
    ------
    OutputError
        The disk is full or read-only, or the folder cannot be written to.

    Examples
    --------
    >>> with writing(Path("full/stack.fits")):
    ...     raise OSError(28, "No space left on device")
    Traceback (most recent call last):
    fourlight.errors.OutputError: full/stack.fits: cannot be written (No space left on device); free some \
space or choose another folder
    """
    try:
        yield
    except FourlightError:
        raise
    except OSError as error:
        advice = _ADVICE.get(error.errno or 0, "free some space or choose another folder")
        raise OutputError(f"{path}: cannot be written ({_reason(error)}); {advice}") from error


def _reason(error: OSError) -> str:
    """What the system says; libraries that count bytes in their own words mean a full disk."""
    if error.strerror:
        return error.strerror
    return os.strerror(errno.ENOSPC) if "space" in str(error).lower() else str(error)


@contextmanager
def whole(path: Path) -> Iterator[Path]:
    """Another name to write a file under; the file becomes ``path``, on the disk, when the block ends well.

    Whatever ends the block early leaves what was at ``path`` before, and nothing beside it.

    Raises
    ------
    OutputError
        The folder is missing or may not be written to, or the disk is full.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     with whole(Path(folder, "a.txt")) as part:
    ...         _ = part.write_text("all of it")
    ...     Path(folder, "a.txt").read_text()
    'all of it'
    """
    part = path.with_name(f".{path.name[:60]}.{os.getpid()}-{next(_numbers)}{PART}")
    try:
        with writing(path):
            yield part
            with part.open("rb+") as file:
                os.fsync(file.fileno())
            move(part, path)
    except BaseException:
        with suppress(OSError):
            part.unlink(missing_ok=True)
        raise


def move(start: Path, end: Path) -> None:
    """Give a file another name, in the place of what had that name.

    Windows refuses that while anybody has one of the two open, as whoever looks for viruses or draws the page has for
    a moment; so it is tried again for a while. Elsewhere a refusal is one for good.

    Raises
    ------
    OSError
        As the system says it.
    """
    for wait_s in WAITS_S:
        try:
            os.replace(start, end)
        except PermissionError:
            time.sleep(wait_s)
        else:
            return
    os.replace(start, end)


def free_room(folder: Path, needed: int, what: str) -> str:
    """Refuse to begin where a disk has no room; else how much is needed and free, in words.

    Parameters
    ----------
    folder : Path
        Where it will be written; it need not be there yet.
    needed : int
        Bytes.
    what : str
        What they are for, for the message.

    Returns
    -------
    str
        Empty where there is ample room, or where the disk does not tell.

    Raises
    ------
    OutputError
        Less is free than is needed.
    """
    there = next((place for place in (folder, *folder.absolute().parents) if place.exists()), None)
    disk = shutil.disk_usage(there) if there else None
    if disk is None or not disk.total:  # some disks of the network do not tell
        return ""
    room = f"{_amount(needed)} needed at most, {_amount(disk.free)} free"
    if disk.free < needed:
        raise OutputError(
            f"{folder}: too little room for {what} ({room}); free some space or choose a folder on another disk"
        )
    return room if disk.free < MARGIN * needed else ""


def _amount(size: int) -> str:
    """A size in words, decimal units.

    >>> _amount(4_150_000_000), _amount(37_000_000)
    ('4.2 GB', '37 MB')
    """
    return f"{size / 1e9:.1f} GB" if size >= 1e9 else f"{size / 1e6:.0f} MB"


def new_array(path: Path, shape: tuple[int, int]) -> np.memmap[Any, np.dtype[np.float32]]:
    """Zeros (ny, nx) float32 in a new ``.npy`` file, mapped for writing.

    The space is taken at once: a mapped file with holes on a full disk would end the process with a bus error
    when it is filled.

    Raises
    ------
    OutputError
        There is no room, or the folder cannot be written to.
    """
    with writing(path):
        with path.open("wb") as file:
            header = {"descr": "<f4", "fortran_order": False, "shape": shape}
            np.lib.format.write_array_header_1_0(file, header)
            file.flush()
            _take(file.fileno(), file.tell(), 4 * shape[0] * shape[1])
        return np.lib.format.open_memmap(path, mode="r+")


def _take(handle: int, start: int, length: int) -> None:
    """Allocate ``length`` bytes from ``start`` on."""
    os.lseek(handle, start, os.SEEK_SET)
    if hasattr(os, "posix_fallocate"):
        os.posix_fallocate(handle, start, length)
        return
    for begin in range(0, length, CHUNK):
        os.write(handle, bytes(min(CHUNK, length - begin)))
