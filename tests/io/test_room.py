"""Files that appear whole or not at all, and what is said where they cannot be written."""

from __future__ import annotations

import os
import re
from concurrent.futures import ThreadPoolExecutor
from contextlib import nullcontext
from pathlib import Path

import pytest

from fourlight.errors import OutputError
from fourlight.io import room
from fourlight.io.room import whole, writing


def fails(error: BaseException, path: Path) -> None:
    with whole(path) as part:
        part.write_text("half")
        raise error


@pytest.mark.parametrize(
    "error", [OSError(28, "No space left on device"), KeyboardInterrupt(), ValueError("x")]
)
def test_a_write_that_fails_or_is_stopped_leaves_the_old_file_alone(
    tmp_path: Path, error: BaseException
) -> None:
    path = tmp_path / "x.txt"
    path.write_text("old")
    with pytest.raises(OutputError if isinstance(error, OSError) else type(error)):
        fails(error, path)
    assert path.read_text() == "old"
    assert [found.name for found in tmp_path.iterdir()] == ["x.txt"]


def test_the_file_is_on_the_disk_before_it_has_its_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """POSIX rename and fsync: a name that stands for data not yet written survives no loss of power."""
    done: list[str] = []
    sync, move = os.fsync, os.replace
    monkeypatch.setattr(room.os, "fsync", lambda handle: (done.append("fsync"), sync(handle)))
    monkeypatch.setattr(room.os, "replace", lambda a, b: (done.append("replace"), move(a, b)))
    with whole(tmp_path / "x") as part:
        assert part.parent == tmp_path, "the same file system"
        part.write_text("new")
    assert done == ["fsync", "replace"]
    assert (tmp_path / "x").read_text() == "new"


def test_two_who_write_the_same_file_do_not_meet(tmp_path: Path) -> None:
    def write(number: int) -> None:
        with whole(tmp_path / "x") as part:
            part.write_text(str(number) * 5000)

    with ThreadPoolExecutor(4) as pool:
        list(pool.map(write, range(10)))
    assert re.fullmatch(r"(\d)\1{4999}", (tmp_path / "x").read_text())


@pytest.mark.parametrize(
    ("number", "advice"),
    [
        (13, "change its permissions"),
        (1, "change its permissions"),
        (30, "change its permissions"),
        (28, "free some"),
        (20, "; choose another folder"),
    ],
)
def test_the_advice_fits_the_trouble(number: int, advice: str) -> None:
    """EACCES, EPERM, EROFS and ENOTDIR are no matter of room; ENOSPC is (numbers of Linux and macOS, errno.h)."""
    with pytest.raises(OutputError, match=advice) as caught, writing(Path("a")):
        raise OSError(number, os.strerror(number))
    assert ("space or" in str(caught.value)) == (number == 28)


def test_no_writer_goes_another_way() -> None:
    """`move` is the only place of the program where a file takes the place of another."""
    source = Path(room.__file__).parents[1]
    movers = {
        path.relative_to(source).as_posix()
        for path in source.rglob("*.py")
        if re.search(r"os\.replace|mkstemp|\.part\x22", path.read_text(encoding="utf-8"))
    }
    assert movers == {"io/room.py"}


@pytest.mark.parametrize("refusals", [2, 3])
def test_a_file_that_is_open_elsewhere_for_a_moment_is_moved_later(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, refusals: int
) -> None:
    """As Windows does it (error 5, told as PermissionError). There are two waits here: three refusals are too many."""
    moved, left = os.replace, [None] * refusals

    def refusing(start: Path, end: Path) -> None:
        if left:
            left.pop()
            raise PermissionError(13, "Access is denied")
        moved(start, end)

    monkeypatch.setattr(room, "WAITS_S", (0.0, 0.0))
    monkeypatch.setattr(room.os, "replace", refusing)
    (tmp_path / "new").write_text("new")
    (tmp_path / "x").write_text("old")
    with pytest.raises(PermissionError) if refusals > 2 else nullcontext():
        room.move(tmp_path / "new", tmp_path / "x")
    assert (tmp_path / "x").read_text() == ("old" if refusals > 2 else "new")
