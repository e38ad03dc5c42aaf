"""The output folder: everything below it is ours, and nothing outside it is ever written."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from fourlight.errors import InputError, OutputError
from fourlight.io.scan import MARKER

__all__ = ["OutputFolder", "prepare"]

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


def prepare(out: Path, searched: Iterable[Path]) -> OutputFolder:
    """Check and make the output folder.

    Parameters
    ----------
    out : Path
    searched : iterable of Path
        Files and folders the user named as input.

    Raises
    ------
    InputError
        An input does not exist.
    OutputError
        OUT lies inside an input folder or holds one, holds something that is not ours, or cannot be written.
    """
    target = out.absolute().resolve()
    for path in searched:
        _check_apart(target, path, out)
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
        part.mkdir(parents=True, exist_ok=True)
    return folder


def _check_apart(target: Path, path: Path, out: Path) -> None:
    if not path.exists():
        raise InputError(f"{path}: no such file or folder")
    source = path.absolute().resolve()
    folder = source if source.is_dir() else source.parent
    inside = target == folder or (source.is_dir() and folder in target.parents)
    if inside:
        raise OutputError(
            f"{out}: lies inside the raw folder {path}; nothing is ever written there, choose another"
        )
    if target in source.parents:
        raise OutputError(f"{out}: holds the raw frames {path}; everything below OUT is ours, choose another")


def _check_writable(target: Path, out: Path) -> None:
    marker = target / MARKER
    try:
        if not marker.exists():
            marker.write_text(
                "Results of Fourlight; everything in this folder is made by it.\n", encoding="utf-8"
            )
        with tempfile.TemporaryFile(dir=target) as probe:
            probe.write(b"\0" * 65536)
            os.fsync(probe.fileno())
    except OSError as error:
        raise OutputError(
            f"{out}: cannot be written ({error.strerror}); free space or choose another folder"
        ) from None
