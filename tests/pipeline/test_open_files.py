"""Files that are open: Windows moves none of them, so the program moves none that it holds itself."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from fourlight.io import room

PROCESS = Path("/proc/self")
# Other systems do not tell what a process has mapped; what they refuse is tested with a move that fails.
pytestmark = pytest.mark.skipif(
    not PROCESS.is_dir(), reason="only Linux tells which files a process has mapped"
)


def held(path: str | os.PathLike[str]) -> list[str]:
    """Files at a path, or below it, that this process has open or mapped."""
    whole = os.path.realpath(path)
    handles = [PROCESS / "fd" / name for name in os.listdir(PROCESS / "fd")]
    open_now = [os.readlink(handle) for handle in handles if handle.is_symlink()]
    mapped = [
        line.split(maxsplit=5)[5] for line in (PROCESS / "maps").read_text().splitlines() if " /" in line
    ]
    return [name for name in (*open_now, *mapped) if name == whole or name.startswith(f"{whole}/")]


@pytest.fixture
def strict(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Refuse what Windows refuses, and count the moves."""
    moved: list[str] = []

    def watched(name: str) -> Callable[[Any, Any], None]:
        real = getattr(os, name)

        def move(start: Any, end: Any) -> None:
            if found := [*held(start), *held(end)]:
                raise PermissionError(13, f"Access is denied: {found}")
            moved.append(os.fspath(end))
            real(start, end)

        return move

    for name in ("replace", "rename"):
        monkeypatch.setattr(os, name, watched(name))
    return moved


def test_what_is_open_or_mapped_is_seen(tmp_path: Path, strict: list[str]) -> None:
    np.save(tmp_path / "a.npy", np.zeros(5000))
    mapped = np.load(tmp_path / "a.npy", mmap_mode="r")
    with pytest.raises(PermissionError, match=r"a\.npy"):
        room.move(tmp_path / "a.npy", tmp_path / "b.npy")
    del mapped
    room.move(tmp_path / "a.npy", tmp_path / "b.npy")
    with (tmp_path / "b.npy").open("rb"), pytest.raises(PermissionError, match=r"b\.npy"):
        room.move(tmp_path / "b.npy", tmp_path / "a.npy")
    assert len(strict) == 1


def test_a_run_and_a_new_picture_move_nothing_that_is_open(
    command: Callable[..., Any], small_night: Path, tmp_path: Path, strict: list[str]
) -> None:
    out = tmp_path / "out"
    assert command("run", small_night, "--out", out).code == 0
    assert {"stack.fits", "picture.jpg", "provenance.json"} <= {Path(path).name for path in strict}
    strict.clear()
    assert command("picture", out, "--look", "bold").code == 0
    assert "picture.jpg" in {Path(path).name for path in strict}
