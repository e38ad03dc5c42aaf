"""One run at a time in one OUT: a lock of the operating system on a file, which ends with the process that holds it.

A file that is merely there, with a process number in it, would need a guess whether that process still lives:
numbers are used again, may belong to another machine, and cannot be asked after on every system. The system's own
lock needs no guess, not even after a loss of power. What the file says is for people only.
"""

from __future__ import annotations

import os
import platform
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from fourlight.errors import OutputError
from fourlight.io.room import writing

__all__ = ["held"]

if sys.platform == "win32":
    import msvcrt

    _FAR = 1 << 30
    """A byte that is never written: Windows lets nobody read a locked one."""

    def _taken(handle: int) -> bool:
        os.lseek(handle, _FAR, os.SEEK_SET)
        try:
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True

else:
    import fcntl

    def _taken(handle: int) -> bool:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except (
            BlockingIOError,
            PermissionError,
        ):  # some network shares say the second for a lock that is held
            return False
        except OSError:  # a file system without locks; refusing every run on it would be worse
            return True
        return True


@contextmanager
def held(path: Path, out: Path) -> Iterator[str]:
    """Hold a lock file for the length of a block.

    Parameters
    ----------
    path : Path
        The lock file; it stays, empty, when the block has ended.
    out : Path
        What is locked, as the user named it.

    Yields
    ------
    str
        Who held the lock before and ended without giving it back; empty where all is well.

    Raises
    ------
    OutputError
        Another run holds it; or the file cannot be written.
    """
    with writing(path):
        handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
    try:
        if not (_taken(handle) and _in_place(handle, path)):
            holder = _said(handle) or "another run"
            raise OutputError(f"{out}: {holder} is at work in it; let it finish or choose another folder")
        before = _said(handle)
        _say(handle, f"process {os.getpid()} on {platform.node()}, begun {_now()},")
        try:
            yield before
        finally:
            _say(handle, "")
    finally:
        os.close(handle)


def _in_place(handle: int, path: Path) -> bool:
    """Whether the file is still the one of that name, and was not taken away by a run that just ended."""
    try:
        return os.path.samestat(os.fstat(handle), path.stat())
    except OSError:
        return False


def _now() -> str:
    return datetime.now(UTC).astimezone().isoformat(" ", "minutes")


def _said(handle: int) -> str:
    os.lseek(handle, 0, os.SEEK_SET)
    return " ".join(os.read(handle, 500).decode("utf-8", "replace").split())


def _say(handle: int, text: str) -> None:
    os.lseek(handle, 0, os.SEEK_SET)
    os.ftruncate(handle, 0)
    os.write(handle, text.encode())
