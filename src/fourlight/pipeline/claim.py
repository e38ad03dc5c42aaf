"""OUT for the length of a run: made, held against other runs, and taken away again where the run is refused."""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path

from fourlight.errors import FourlightError, OutputError
from fourlight.io.room import PART, whole, writing
from fourlight.io.scan import MARKER
from fourlight.pipeline.folder import OutputFolder
from fourlight.pipeline.lock import held
from fourlight.pipeline.swap import recover
from fourlight.stages.canvas import CANVAS

__all__ = ["claimed"]

MARK = "Results of Fourlight; everything in this folder is made by it.\n"
"""What the marker of an OUT says."""


@contextmanager
def claimed(out: Path) -> Iterator[OutputFolder]:
    """OUT, made where it is missing, for one run alone.

    A run that is refused before anything was combined or measured leaves no trace of itself; one that is stopped leaves
    no file that is half written.

    Raises
    ------
    OutputError
        OUT is a file, holds something that is not ours, cannot be written, or another run is at work in it.
    """
    folder = OutputFolder(Path(os.path.realpath(out)))
    missing = [place for place in (folder.root, *folder.root.parents) if not os.path.exists(place)]
    fresh = _is_free(folder.root, out)
    refused = False
    try:
        _prepare(folder, out)
        with held(folder.lock, out) as left_by:
            _sweep(folder)
            try:
                yield replace(folder, left_by=left_by)
            except BaseException as error:
                if isinstance(error, FourlightError) and fresh and not _begun(folder):
                    _empty(folder)
                else:
                    _sweep(folder)
                raise
    except FourlightError:
        refused = fresh and not _begun(folder)
        raise
    finally:
        if refused:
            _forget(folder)
        for place in missing:  # what holds anything stays
            with suppress(OSError):
                place.rmdir()


def _is_free(root: Path, out: Path) -> bool:
    """Whether OUT is new or empty; OutputError where it is a file or holds what is not ours."""
    if os.path.exists(root) and not root.is_dir():
        raise OutputError(f"{out}: is a file; name a folder for the results")
    if os.path.exists(root / MARKER):
        return False
    with writing(out):
        foreign = [entry.name for entry in sorted(root.iterdir())] if os.path.exists(root) else []
    if foreign:
        raise OutputError(
            f"{out}: holds {foreign[0]} and was not made by Fourlight; choose a new or empty folder"
        )
    return True


def _prepare(folder: OutputFolder, out: Path) -> None:
    """Mark OUT as ours, see that it takes what is written, and make the folders of a run."""
    root = folder.root
    with writing(out):
        root.mkdir(parents=True, exist_ok=True)
    if not os.path.exists(root / MARKER):
        with whole(root / MARKER) as part:
            part.write_text(MARK, encoding="utf-8")
    with writing(out), tempfile.TemporaryFile(dir=root) as probe:
        probe.write(b"\0" * 65536)
        os.fsync(probe.fileno())
    for place in (folder.work, folder.decoded, folder.masters, folder.measured, folder.layers):
        with writing(place):
            place.mkdir(parents=True, exist_ok=True)


def _sweep(folder: OutputFolder) -> None:
    """Take away what a run that ended early had begun to write, and bring back what it was about to replace."""
    recover(folder.new, folder.root, folder.old)
    begun = (*folder.root.glob(f".*{PART}"), *folder.work.rglob(f".*{PART}"))
    for part in (*begun, *folder.work.rglob(f"{CANVAS}*.npy")):
        with suppress(OSError):
            part.unlink()


def _begun(folder: OutputFolder) -> bool:
    """Whether there is anything that another run could go on from."""
    return any(place.is_dir() and any(place.iterdir()) for place in (folder.masters, folder.measured))


def _empty(folder: OutputFolder) -> None:
    """Take away what a refused run has written, while no other run can be at work here."""
    for place in folder.work.iterdir():
        if place.is_dir():
            shutil.rmtree(place, ignore_errors=True)
        else:  # the lock; Windows lets it go only when it is given back
            with suppress(OSError):
                place.unlink()


def _forget(folder: OutputFolder) -> None:
    """Take away the empty folders of a refused run, and the marker unless another run has come in.

    It stays, too, with what a watch has told of subs none of which it could use.
    """
    if sys.platform == "win32":  # where a file that another run holds cannot be taken away
        with suppress(OSError):
            folder.lock.unlink()
    for place in (folder.decoded, folder.masters, folder.measured, folder.layers, folder.work):
        with suppress(OSError):
            place.rmdir()
    with suppress(OSError):
        if [entry.name for entry in folder.root.iterdir()] == [MARKER]:
            (folder.root / MARKER).unlink()
