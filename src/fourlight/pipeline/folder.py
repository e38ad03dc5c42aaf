"""The output folder: everything below it is Fourlight's own, and nothing outside it is ever written."""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from fourlight.errors import OutputError

__all__ = ["OutputFolder", "check_apart"]


@dataclass(frozen=True, slots=True)
class OutputFolder:
    """Paths inside OUT."""

    root: Path
    left_by: str = ""
    """The run that was at work here and ended without a word; empty where there is none."""

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

    @property
    def sums(self) -> Path:
        """What is known of the lights of the stack, and sums to which lights can be added."""
        return self.work / "sums"

    @property
    def new_sums(self) -> Path:
        """The same of the stack that is being made."""
        return self.work / "new-sums"

    @property
    def live(self) -> Path:
        """The running stack of a watch."""
        return self.work / "live"

    @property
    def lock(self) -> Path:
        """The file that a run holds while it is at work here."""
        return self.work / "lock"

    @property
    def new(self) -> Path:
        """Results until all of them are written."""
        return self.work / "new"

    @property
    def old(self) -> Path:
        """Results of an earlier run while the new ones take their places."""
        return self.work / "old"


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
            os.path.realpath(path) if os.path.exists(path) else os.path.abspath(path),
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
                f"{out}: holds the raw folder {folder}; everything below OUT is Fourlight's own, choose another"
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
