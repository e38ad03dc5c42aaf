"""OUT on a disk that is full or read-only: one clear line, nothing half written, no crash of a mapped file."""

from __future__ import annotations

import gzip
import os
import re
import shutil
import subprocess
import threading
from collections import namedtuple
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from fourlight.errors import OutputError
from fourlight.io import room
from fourlight.pipeline import picturing, space
from plain_runs import PLAINLY


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Callable[[str], Path]]:
    """A small disk of its own in memory; only root can make one."""
    place = tmp_path / "disk"
    place.mkdir()

    def mount(options: str) -> Path:
        if (
            not shutil.which("mount")
            or subprocess.run(
                ["mount", "-t", "tmpfs", "-o", options, "tmpfs", place], check=False, capture_output=True
            ).returncode
        ):
            pytest.skip("no disk can be mounted here")
        return place

    yield mount
    if os.path.ismount(place):
        subprocess.run(["umount", place], check=True)


def test_an_out_on_a_read_only_disk(command: Any, raw: Path, tmp_path: Path, disk: Any) -> None:
    place = disk("ro")
    done = command("run", raw, "--out", place / "out")
    assert done.code == 2
    assert "Read-only file system" in done.line


@pytest.mark.parametrize("size", ["300k", "2m", "6m"])
def test_an_out_on_a_disk_that_fills_up(
    command: Any, raw: Path, untouched: Any, disk: Any, size: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Too full for what was measured, for the layers, for the results: others write there too."""
    place = disk(f"size={size}")
    monkeypatch.setattr(space, "needed_bytes", lambda *_: 0)
    with untouched(raw):
        done = command("run", raw, "--out", place / "out")
    assert done.code == 1, "the run has failed; nothing is wrong with what was named"
    assert "No space left on device" in done.line or "Not enough space on disk" in done.line
    assert not list((place / "out").glob("**/*.part*")), "nothing half written is left"


@pytest.mark.parametrize("size", ["16k", "6m"])
def test_a_disk_without_room_is_refused_at_once(
    command: Any, raw: Path, untouched: Any, disk: Any, size: str
) -> None:
    place = disk(f"size={size}")
    with untouched(raw):
        done = command("run", raw, "--out", place / "out")
    assert done.code == 2
    assert ("too little room" if size == "6m" else "No space left on device") in done.line
    assert not (place / "out").exists(), "a run that is refused at once leaves nothing behind"


Usage = namedtuple("Usage", "total used free")


def test_room_is_reckoned_before_the_run(
    command: Any, raw: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is reckoned holds what a run leaves with all of its work kept, and is at most a third more.

    Large files are held against what is reckoned by pixels, all files against that and what is allowed for the others,
    which is at most six times what small files take.
    """
    others = 4 * space.MEASURED_BYTES + space.OTHER_BYTES
    packed = raw / "light_0001.fits.gz"
    packed.write_bytes(gzip.compress((raw / "light_0001.fits").read_bytes()))
    (raw / "light_0001.fits").unlink()
    reckoned: list[int] = []
    plain = space.needed_bytes
    monkeypatch.setattr(space, "needed_bytes", lambda *facts: reckoned.append(plain(*facts)) or reckoned[-1])
    monkeypatch.setattr(space, "MEASURED_BYTES", 0)
    monkeypatch.setattr(space, "OTHER_BYTES", 0)
    monkeypatch.setattr(space, "OFF_MEMORY_BYTES", 0)  # gone by the end of a run
    kept = tmp_path / "kept"
    assert command("run", raw, "--out", kept, "--set", "run.keep_work=true").code == 0
    big = [path for path in kept.rglob("*") if path.suffix in (".fits", ".npy", ".tif", ".png", ".jpg")]
    used = sum(path.stat().st_size for path in big)
    assert used < reckoned[0] < 1.34 * used
    everything = sum(path.stat().st_size for path in kept.rglob("*") if path.is_file())
    assert everything <= reckoned[0] + others
    assert others < 6 * (everything - used), "small files were 0.74 MB of an allowance of 3.6 MB"
    assert command("run", raw, "--out", kept, "--set", "run.keep_work=true").code == 0
    assert reckoned[1] < 0.65 * reckoned[0], "layers, masters and decoded frames are there"

    monkeypatch.setattr(shutil, "disk_usage", lambda _: Usage(10**9, 0, reckoned[0] - 1))
    refused = command("run", raw, "--out", tmp_path / "new")
    assert refused.code == 2
    assert re.search(
        r"too little room for work files and results \(\d+ MB needed at most, \d+ MB free\); free",
        refused.line,
    )
    assert not (tmp_path / "new").exists()
    monkeypatch.setattr(shutil, "disk_usage", lambda _: Usage(10**9, 0, int(1.05 * reckoned[0])))
    close = command("run", raw, "--out", tmp_path / "close", *PLAINLY)
    assert close.code == 0
    assert "is nearly full" in close.out + close.err
    monkeypatch.setattr(shutil, "disk_usage", lambda _: Usage(0, 0, 0))
    assert command("run", raw, "--out", tmp_path / "silent", *PLAINLY).code == 0


def used_at_most(place: Path, work: Callable[[], None]) -> int:
    """Most bytes of a disk that are taken while something works on it, files without a name too."""
    over, most = threading.Event(), [0]

    def look() -> None:
        while not over.wait(0.002):
            most[0] = max(most[0], shutil.disk_usage(place).used)

    watch = threading.Thread(target=look)
    watch.start()
    try:
        work()
    finally:
        over.set()
        watch.join()
    return most[0]


def test_no_more_is_taken_at_any_time_than_is_reckoned(
    command: Any, raw: Path, disk: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By a run, and by a picture of its stack with stars taken off, of which steps are kept."""
    place, reckoned, done = disk("size=300m"), [], []

    def reckoning(plain: Callable[..., int]) -> Callable[..., int]:
        return lambda *facts: reckoned.append(plain(*facts)) or reckoned[-1]

    monkeypatch.setattr(space, "needed_bytes", reckoning(space.needed_bytes))
    monkeypatch.setattr(picturing, "picture_bytes", reckoning(picturing.picture_bytes))
    run = ["run", raw, "--out", place / "out"]
    picture = ["picture", place / "out", "--set", "finish.stars.light=0.5"]
    for words in (run, picture):
        before = shutil.disk_usage(place).used
        most = used_at_most(place, lambda words=words: done.append(command(*words)))
        assert done.pop().code == 0
        assert most - before < reckoned[-1]


def test_a_disk_that_fills_up_in_mid_run_is_a_failed_run(
    command: Any, raw: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same where no disk can be mounted; exit codes as README.md has them."""

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(room, "_take", full)
    done = command("run", raw, "--out", tmp_path / "out")
    assert "No space left on device" in done.line
    assert done.code == 1


def test_no_room_is_said_before_anything_is_filled(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The same where no disk can be mounted: the system refuses to give the room."""

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(room, "_take", full)
    with pytest.raises(OutputError, match=r"layer\.npy: cannot be written \(No space left on device\); free"):
        room.new_array(tmp_path / "layer.npy", (10, 20))


def test_room_is_taken_and_holds_zeros(tmp_path: Path) -> None:
    made = room.new_array(tmp_path / "layer.npy", (300, 200))
    state = (tmp_path / "layer.npy").stat()
    assert state.st_blocks * 512 >= 300 * 200 * 4, "no holes"
    assert (made.shape, made.dtype, made.max()) == ((300, 200), np.dtype("<f4"), 0.0)
    made[7, 9] = 5.0
    made.flush()
    assert np.load(tmp_path / "layer.npy")[7, 9] == 5.0
