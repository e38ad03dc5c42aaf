"""Results change places together: the old ones stay or come back until all new ones are there."""

from __future__ import annotations

import shutil
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

from fourlight.errors import OutputError
from fourlight.io.room import move, writing

__all__ = ["RECORD", "publish", "recover"]

RECORD = "provenance.json"
"""The file that says a set of results is complete: first to go, last to come."""


def publish(new: Path, root: Path, old: Path, known: Iterable[str] = ()) -> None:
    """Move all files of ``new`` to ``root``; whatever goes wrong, the files that were there come back.

    Parameters
    ----------
    new : Path
        Folder of finished files, `RECORD` among them; it is gone afterwards.
    root : Path
        Their place.
    old : Path
        Folder for the files that they replace, until all is done; on the disk of the others.
    known : iterable of str
        Names of results that go where ``new`` has none of that name: they are of other results than those.

    Raises
    ------
    OutputError
        A file cannot be moved, as where another program holds it open.
    """
    names = sorted((entry.name for entry in new.iterdir()), key=lambda name: (name == RECORD, name))
    with writing(root):
        old.mkdir()
        gone = [name for name in known if name not in names]
        try:
            for name in [*reversed(names), *gone]:
                if (root / name).exists():
                    _move(root / name, old / name, root / name)
            for name in names:
                _move(new / name, root / name, root / name)
        except BaseException:
            _put_back([*(name for name in gone if (old / name).exists()), *names], new, root, old)
            raise
    for place in (new, old):
        shutil.rmtree(place, ignore_errors=True)


def _move(start: Path, end: Path, named: Path) -> None:
    """Rename a file; what Windows says of one that is open elsewhere becomes advice on that."""
    try:
        move(start, end)
    except PermissionError as error:
        raise OutputError(
            f"{named}: cannot be replaced ({error.strerror}); close it where it is open, or allow writing here,"
            " and run again"
        ) from error
    except OSError as error:
        with writing(named):
            raise error


def _put_back(names: Iterable[str], new: Path, root: Path, old: Path) -> None:
    for name in names:
        with suppress(OSError):
            if (old / name).exists():
                move(old / name, root / name)
            elif not (new / name).exists():
                (root / name).unlink()


def recover(new: Path, root: Path, old: Path) -> None:
    """Bring the old results back after a run was killed while it changed them; then take both folders away."""
    if (old / RECORD).exists() and not (root / RECORD).exists():
        names = {entry.name for place in (new, old) if place.is_dir() for entry in place.iterdir()}
        _put_back(names - {RECORD}, new, root, old)
        _put_back([RECORD], new, root, old)
    for place in (new, old):
        shutil.rmtree(place, ignore_errors=True)
