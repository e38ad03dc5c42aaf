"""Results change places as one: OUT holds the results of one run, the old ones or the new."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from fourlight.errors import InputError, OutputError
from fourlight.io import export, room
from fourlight.pipeline import swap
from fourlight.pipeline.products import read_json
from plain_runs import PLAINLY

MOVE = os.replace
NAMES = ("frames.csv", "picture.png", "provenance.json", "stack.fits", "steps")
"""Files, and a folder: a folder takes the place of no other that holds anything, as a file does."""


def filled(folder: Path, text: str, names: tuple[str, ...] = NAMES) -> Path:
    folder.mkdir()
    for name in names:
        path = folder / name
        if not path.suffix:
            path.mkdir()
            path /= text  # so that two of them together would be seen
        path.write_text(text)
    return folder


def texts(folder: Path) -> dict[str, str]:
    """Content by name; of a folder, what its only file holds."""
    found = {}
    for path in folder.iterdir():
        (file,) = path.iterdir() if path.is_dir() else (path,)
        found[path.name] = file.read_text()
    return found


def stopping(count: int, error: BaseException) -> Callable[[Any, Any], None]:
    """``os.replace`` that moves ``count`` files and then fails once."""
    fails = iter([False] * count + [True])

    def moved(a: Any, b: Any) -> None:
        if next(fails, False):
            raise error
        MOVE(a, b)

    return moved


BEFORE = pytest.mark.parametrize("before", [NAMES, (), ("stack.fits",), (*NAMES, "sheet.jpg")])
"""Names of the old results; the last is one that goes, as the new ones have none of that name."""


@BEFORE
@pytest.mark.parametrize("error", [KeyboardInterrupt(), PermissionError(13, "Permission denied")])
def test_whatever_stops_the_moves_the_old_results_come_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, before: tuple[str, ...], error: BaseException
) -> None:
    """Stopped before each of the moves in turn, until there are no more."""
    for stop in range(20):
        place = tmp_path / str(stop)
        place.mkdir()
        new, root = filled(place / "new", "new"), filled(place / "root", "old", before)
        monkeypatch.setattr(room.os, "replace", stopping(stop, error))
        try:
            swap.publish(new, root, place / "old", ["sheet.jpg"])
        except (KeyboardInterrupt, OutputError):
            assert texts(root) == dict.fromkeys(before, "old")
        else:
            assert texts(root) == dict.fromkeys(NAMES, "new")
            assert not new.exists()
            assert not (place / "old").exists()
            assert stop == 1 + len(NAMES) + len(before), "the list of names is moved, too"
            return
    pytest.fail("the moves never end")


def test_a_result_that_is_open_elsewhere_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Windows denies the move of a file that another program holds open; space on the disk is not the cause."""
    new, root = filled(tmp_path / "new", "new"), filled(tmp_path / "root", "old", ("picture.png",))
    monkeypatch.setattr(room.os, "replace", stopping(1, PermissionError(13, "Permission denied")))
    with pytest.raises(
        OutputError, match=r"root.picture\.png: cannot be replaced .*; close it where it is open"
    ):
        swap.publish(new, root, tmp_path / "old")


class Killed(BaseException):
    """The process is gone: nothing of it runs any more."""


def killed(
    place: Path, monkeypatch: pytest.MonkeyPatch, stop: int, before: tuple[str, ...]
) -> tuple[Path, Path, Path]:
    """New, present and old results of a run that was killed before one of its moves."""
    place.mkdir()
    new, root, old = filled(place / "new", "new"), filled(place / "root", "old", before), place / "old"
    with monkeypatch.context() as patch:
        patch.setattr(room.os, "replace", stopping(stop, Killed()))
        patch.setattr(swap, "_put_back", lambda *_: None)
        with pytest.raises(Killed):
            swap.publish(new, root, old, ["sheet.jpg"])
    return new, root, old


@BEFORE
def test_a_run_killed_between_two_moves_leaves_what_the_next_one_brings_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, before: tuple[str, ...]
) -> None:
    """Also where that next one is killed while it brings them back, at any of its moves, and another one comes."""
    for stop in range(1 + len(NAMES) + len(before)):
        for again in range(20):
            new, root, old = killed(tmp_path / f"{stop}-{again}", monkeypatch, stop, before)
            with monkeypatch.context() as patch:
                patch.setattr(room.os, "replace", stopping(again, Killed()))
                with suppress(Killed):
                    swap.recover(new, root, old)
            done = not new.exists()
            swap.recover(new, root, old)
            assert texts(root) == dict.fromkeys(before, "old")
            assert not new.exists()
            assert not old.exists()
            if done:
                break


def test_a_run_killed_when_all_has_come_leaves_the_new_results(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    new, root, old = filled(tmp_path / "new", "new"), filled(tmp_path / "root", "old"), tmp_path / "old"
    with monkeypatch.context() as patch:
        patch.setattr(swap.shutil, "rmtree", lambda *_, **__: None)
        swap.publish(new, root, old)
    assert old.exists()
    swap.recover(new, root, old)
    assert texts(root) == dict.fromkeys(NAMES, "new")
    assert not old.exists()


def test_old_results_that_cannot_be_put_back_are_kept_for_the_next_try(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    new, root, old = killed(tmp_path / "a", monkeypatch, 1 + len(NAMES) + 3, NAMES)
    with monkeypatch.context() as patch:
        patch.setattr(room.os, "replace", stopping(0, PermissionError(13, "Permission denied")))
        with pytest.raises(OutputError, match=r"cannot be put back from .*; close what has them open"):
            swap.recover(new, root, old)
    assert not (root / swap.RECORD).exists(), "no record says that these are complete"
    swap.recover(new, root, old)
    assert texts(root) == dict.fromkeys(NAMES, "old")


@pytest.mark.parametrize("text", ["{", "[]", '{"come": []}'])
def test_a_list_of_names_that_cannot_be_read_is_told_and_nothing_is_deleted(
    tmp_path: Path, text: str
) -> None:
    new, root, old = (
        filled(tmp_path / "new", "new"),
        filled(tmp_path / "root", "new", NAMES[:1]),
        filled(tmp_path / "old", "old"),
    )
    (new / swap.LIST).write_text(text)
    with pytest.raises(
        OutputError, match=r"names\.json: cannot be read \(it is not whole\); .* run again"
    ) as told:
        swap.recover(new, root, old)
    assert "\n" not in str(told.value)
    assert texts(old) == dict.fromkeys(NAMES, "old")
    assert new.exists()


def test_the_record_is_the_first_to_go_and_the_last_to_come(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """So that a machine that dies between two moves leaves no record beside files it does not describe."""
    order: list[str] = []
    move = os.replace
    monkeypatch.setattr(room.os, "replace", lambda a, b: (order.append(Path(a).name), move(a, b)))
    swap.publish(filled(tmp_path / "new", "n"), filled(tmp_path / "root", "o"), tmp_path / "old")
    assert order.pop(0).endswith(".part"), "the list of names"
    assert order[0] == order[-1] == "provenance.json"
    assert order.count("provenance.json") == 2


def test_a_stop_and_a_full_disk_while_results_are_written(
    command: Any, raw: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A light less, stopped after the stack was written: all files are still those of the first run."""
    out = tmp_path / "out"
    assert command("run", raw, "--out", out, *PLAINLY).code == 0
    files = sorted(path for path in out.iterdir() if path.is_file())
    before = {path.name: path.read_bytes() for path in files}

    def broken(error: BaseException) -> Any:
        def write(*_: object) -> None:
            raise error

        return write

    (raw / "light_0004.fits").unlink()
    for error in (KeyboardInterrupt(), OSError(28, "No space left on device")):
        with monkeypatch.context() as patch:
            patch.setattr(export, "_write_png", broken(error))
            stopped = command("run", raw, "--out", out, *PLAINLY)
        assert stopped.code == 1
        assert {path.name: path.read_bytes() for path in files} == before
        assert not list(out.rglob("*.part"))
    assert command("run", raw, "--out", out, *PLAINLY).code == 0
    after = {path.name: path.read_bytes() for path in files}
    assert {name for name in before if before[name] == after[name]} <= {".fourlight"}
    assert not (out / "work" / "new").exists()


def test_what_a_killed_run_had_begun_is_swept(command: Any, raw: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    assert command("run", raw, "--out", out, *PLAINLY).code == 0
    for name in ("new", "old"):
        shutil.copytree(out / "work" / "masters", out / "work" / name)
    for part in (".x.1-2.part", "work/measured/.y.1-2.part"):
        (out / part).write_text("half")
    assert command("run", raw, "--out", out, *PLAINLY).code == 0
    assert {path.name for path in (out / "work").iterdir()} <= {"masters", "measured", "lock", "sums"}
    assert not list(out.rglob("*.part"))


@pytest.mark.parametrize(
    ("name", "advice"),
    [
        ("summary.json", "make the stack anew: fourlight run NIGHTS --out {out}"),
        ("channels.json", "fourlight channels {out} makes it anew"),
        ("lines.json", "fourlight lines {out} makes it anew"),
    ],
)
def test_a_file_that_is_not_whole_is_told_with_the_command_that_makes_it(
    tmp_path: Path, name: str, advice: str
) -> None:
    path = tmp_path / name
    assert read_json(path) is None, "there is none"
    path.write_text("{")
    with pytest.raises(InputError) as told:
        read_json(path)
    assert str(told.value) == f"{path}: cannot be read (it is not whole); {advice.format(out=tmp_path)}"
    with pytest.raises(InputError, match=r"; ask for it anew$"):
        read_json(path, "ask for it anew")
