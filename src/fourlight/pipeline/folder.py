"""The output folder: everything below it is ours, and nothing outside it is ever written."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from fourlight.errors import OutputError
from fourlight.io.room import whole, writing
from fourlight.io.scan import MARKER

__all__ = ["OutputFolder", "check_apart", "prepare"]

MARK = "Results of Fourlight; everything in this folder is made by it.\n"
"""What the marker of an OUT says."""


@dataclass(frozen=True, slots=True)
class OutputFolder:
    """Paths inside OUT."""

    root: Path

    @property
    def work(self) -> Path:
        """Intermediate results that let a stopped run continue."""
        return self.root / "work"

    @property
    def decoded(self) -> Path:
        """Frames that cannot be mapped where they lie, decoded once."""
        return self.work / "decoded"

    @property
    def masters(self) -> Path:
        """Combined darks, flats and bias."""
        return self.work / "masters"

    @property
    def measured(self) -> Path:
        """One small file per measured light."""
        return self.work / "measured"

    @property
    def layers(self) -> Path:
        """Layers of the stack while tiles are being integrated."""
        return self.work / "layers"


def check_apart(out: Path, raw: Iterable[Path]) -> None:
    """Refuse an OUT that could touch raw frames, links followed; a link that leads nowhere has no frame.

    Parameters
    ----------
    out : Path
    raw : iterable of Path
        Files and folders that the user named, or files that were found in them.

    Raises
    ------
    OutputError
        OUT is or lies inside a folder of raw frames, or holds one.
    """
    target = Path(os.path.realpath(out))
    folders = {
        Path(place if os.path.isdir(place) else os.path.dirname(place))
        for path in raw
        if os.path.lexists(path)
        for place in {
            os.path.abspath(path),
            os.path.realpath(path) if path.exists() else os.path.abspath(path),
        }
    }
    above_out, itself = _identities(target), _identity(target)
    for folder in sorted(folders):
        if folder == target or folder in target.parents or _identity(folder) in above_out:
            raise OutputError(
                f"{out}: lies inside the raw folder {folder}; nothing is ever written there, choose another"
            )
        if target in folder.parents or (itself is not None and itself in _identities(folder)):
            raise OutputError(
                f"{out}: holds the raw folder {folder}; everything below OUT is ours, choose another"
            )


def _identity(path: Path) -> tuple[int, int] | None:
    """What a folder is, whatever it is called (capitals that do not count, a second mount); None: not there."""
    try:
        state = path.stat()
    except OSError:
        return None
    return state.st_dev, state.st_ino


def _identities(path: Path) -> set[tuple[int, int]]:
    """Identities of a folder and of all that hold it."""
    return {found for place in (path, *path.parents) if (found := _identity(place)) is not None}


def prepare(out: Path) -> OutputFolder:
    """Make the output folder.

    Raises
    ------
    OutputError
        OUT is a file, holds something that is not ours, or cannot be written.
    """
    target = Path(os.path.realpath(out))
    if target.exists() and not target.is_dir():
        raise OutputError(f"{out}: is a file; name a folder for the results")
    try:
        target.mkdir(parents=True, exist_ok=True)
        foreign = [p.name for p in sorted(target.iterdir()) if p.name != MARKER]
    except OSError as error:
        raise OutputError(
            f"{out}: cannot be used ({error.strerror}); choose a folder you may write to"
        ) from None
    if foreign and not (target / MARKER).exists():
        raise OutputError(
            f"{out}: holds {foreign[0]} and was not made by Fourlight; choose a new or empty folder"
        )
    _check_writable(target, out)
    folder = OutputFolder(target)
    for part in (folder.work, folder.decoded, folder.masters, folder.measured, folder.layers):
        with writing(part):
            part.mkdir(parents=True, exist_ok=True)
    return folder


def _check_writable(target: Path, out: Path) -> None:
    marker = target / MARKER
    if not marker.exists():
        with whole(marker) as part:
            part.write_text(MARK, encoding="utf-8")
    with writing(out), tempfile.TemporaryFile(dir=target) as probe:
        probe.write(b"\0" * 65536)
        os.fsync(probe.fileno())
