"""OUT on a disk that is full or read-only: one clear line, nothing half written, no crash of a mapped file."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from fourlight.errors import OutputError
from fourlight.io import room


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


@pytest.mark.parametrize("size", ["16k", "300k", "2m", "6m"])
def test_an_out_on_a_full_disk(command: Any, raw: Path, untouched: Any, disk: Any, size: str) -> None:
    """Too full for the first note, for what was measured, for the layers, for the results."""
    place = disk(f"size={size}")
    with untouched(raw):
        done = command("run", raw, "--out", place / "out")
    assert done.code == 2
    assert "No space left on device" in done.line or "Not enough space on disk" in done.line
    assert not list((place / "out").glob("**/*.part*")), "nothing half written is left"
    if size == "16k":
        assert not (place / "out").exists(), "a run that is refused at once leaves nothing behind"


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
