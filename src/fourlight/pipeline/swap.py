"""Results change places together: the old ones stay or come back until all new ones are there."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

from fourlight.errors import OutputError
from fourlight.io.room import move, whole, writing
from fourlight.json_text import json_of

__all__ = ["RECORD", "publish", "recover"]

RECORD = "provenance.json"
"""The file that says a set of results is complete: first to go, last to come."""
LIST = ".names.json"
"""Names of the results that change places, in the folder of the new ones for as long as they do."""


def publish(new: Path, root: Path, old: Path, known: Iterable[str] = ()) -> None:
    """Move all files and folders of ``new`` to ``root``; whatever goes wrong, those that were there come back.

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
        with whole(new / LIST) as part:
            part.write_text(json.dumps({"come": names, "go": gone}), encoding="utf-8")
        try:
            for name in [*reversed(names), *gone]:
                if os.path.lexists(root / name):
                    _move(root / name, old / name, root / name)
            for name in names:
                _move(new / name, root / name, root / name)
        except BaseException:
            _put_back(new, root, old)
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


def _put_back(new: Path, root: Path, old: Path) -> list[str]:
    """Move what came back to ``new`` and what went back to ``root``; names of what cannot be moved.

    A folder takes no place that another one holds, so what stands there goes first. Stopped anywhere, it goes on where
    it was: a name that is listed and not in ``new`` is a new one that came. The record comes back last, and only to all
    others.
    """
    come, go = _listed(new, root, old)
    stuck: list[str] = []
    for name in reversed(come):
        if not os.path.lexists(new / name):
            _try(root / name, new / name, stuck)
    for name in [*go, *come]:
        if name not in stuck and not (stuck and name == RECORD):
            _try(old / name, root / name, stuck)
    # Before anything of the new ones is deleted: what is listed and gone would pass for one that came.
    if not stuck:
        with suppress(OSError):
            (new / LIST).unlink(missing_ok=True)
    return stuck


def _try(start: Path, end: Path, stuck: list[str]) -> None:
    try:
        if os.path.lexists(start):
            move(start, end)
    except OSError:
        stuck.append(start.name)


def _listed(new: Path, root: Path, old: Path) -> tuple[list[str], list[str]]:
    """Names of results that come, the record last, and of those that go; none where no move was begun.

    Raises
    ------
    OutputError
        The list cannot be read: nobody knows which results are the old ones.
    """
    try:
        told = json_of((new / LIST).read_text(encoding="utf-8"))
        come, go = ([str(name) for name in told[key]] for key in ("come", "go"))
    except FileNotFoundError:
        return [], []
    except (OSError, ValueError, KeyError, TypeError) as error:
        why = getattr(error, "strerror", None) or "it is not whole"
        raise OutputError(
            f"{new / LIST}: cannot be read ({why}); it names the results that a run was changing when it ended: move "
            f"those to keep from {old} and {new} to {root}, delete both folders, and run again"
        ) from None
    return come, go


def recover(new: Path, root: Path, old: Path) -> None:
    """Bring the old results back after a run was killed while it changed them; then take both folders away.

    Raises
    ------
    OutputError
        One of them cannot be brought back, or it cannot be read which they are; both folders stay as they are.
    """
    come, _ = _listed(new, root, old)
    if any(os.path.lexists(new / name) for name in come):  # else all have come
        stuck = _put_back(new, root, old)
        if stuck:
            raise OutputError(
                f"{root / stuck[0]}: a run ended while it changed the results, and those from before cannot be put "
                f"back from {old}; close what has them open, or allow writing here, and run again"
            )
    for place in (new, old):
        shutil.rmtree(place, ignore_errors=True)
