"""Where compiled kernels are kept: beside the program, else in the user's cache folder, else in a temporary folder.

numba gives up where neither the package nor the home folder can be written to, as when the program was installed by
somebody else for a user without a home.
"""

from __future__ import annotations

import atexit
import os
import shutil
import stat
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

__all__ = ["settle"]

SETTING = "NUMBA_CACHE_DIR"
"""Environment variable by which numba is told (its manual, "Environment variables")."""


def settle() -> None:
    """Choose the place where it is not chosen yet; to be called before the first kernel is imported."""
    package = Path(__file__).parent
    if SETTING in os.environ or all(
        _writable(package / part / "__pycache__") for part in ("core", "simulate")
    ):
        return
    place = next((str(folder) for folder in _folders() if _writable(folder)), None) or _for_this_run()
    os.environ[SETTING] = place
    if "numba" in sys.modules:  # it has read its settings already
        sys.modules["numba"].config.CACHE_DIR = place


def _folders() -> Iterator[Path]:
    """Places of a user's own, where the last one may be shared by others and is taken only if it is not."""
    user = os.environ.get("XDG_CACHE_HOME") or os.environ.get("LOCALAPPDATA")
    home = os.path.expanduser("~")
    if user or home != "~":
        yield Path(user or os.path.join(home, ".cache")) / "fourlight"
    if hasattr(os, "getuid"):
        shared = Path(tempfile.gettempdir()) / f"fourlight-{os.getuid()}"
        if _own(shared):
            yield shared


def _own(folder: Path) -> bool:
    """Whether a folder that anybody could have made is ours alone: what lies in it will be run."""
    try:
        folder.mkdir(mode=0o700, exist_ok=True)
        state = folder.lstat()
    except OSError:
        return False
    return stat.S_ISDIR(state.st_mode) and state.st_uid == os.getuid() and not state.st_mode & 0o022


def _writable(folder: Path) -> bool:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        tempfile.TemporaryFile(dir=folder).close()
    except OSError:
        return False
    return True


def _for_this_run() -> str:
    """A folder that goes when the program ends: kernels are compiled anew every time."""
    place = tempfile.mkdtemp(prefix="fourlight-")
    atexit.register(shutil.rmtree, place, ignore_errors=True)
    return place
