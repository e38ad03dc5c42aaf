"""Files that are open: Windows neither moves nor removes them, so the program lets go of its own first."""

from __future__ import annotations

import builtins
import io
import os
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from fourlight.io import room
from fourlight.stages.canvas import Canvas

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


def named(path: Any, dir_fd: int | None) -> str:
    """The path of a file that is named within a folder that is open."""
    return os.path.join(
        os.readlink(PROCESS / "fd" / str(dir_fd)) if dir_fd is not None else "", os.fspath(path)
    )


@pytest.fixture
def strict(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Refuse what Windows refuses while a file is open or mapped, and count the moves.

    That is to move it, to move another in its place, to take it away, and to open it anew as an empty one.
    """
    moved: list[str] = []
    opened = io.open

    def refuse(*paths: Any) -> None:
        if found := [name for path in paths for name in held(path)]:
            raise PermissionError(13, f"Access is denied: {found}")

    def mover(real: Callable[..., None]) -> Callable[[Any, Any], None]:
        def move(start: Any, end: Any) -> None:
            refuse(start, end)
            moved.append(os.fspath(end))
            real(start, end)

        return move

    def remover(real: Callable[..., None]) -> Callable[..., None]:
        def remove(path: Any, *, dir_fd: int | None = None) -> None:
            refuse(named(path, dir_fd))
            real(path, dir_fd=dir_fd)

        return remove

    def opener(file: Any, mode: str = "r", *rest: Any, **more: Any) -> Any:
        if "w" in mode and not isinstance(file, int):
            refuse(file)
        return opened(file, mode, *rest, **more)

    for name in ("replace", "rename"):
        monkeypatch.setattr(os, name, mover(getattr(os, name)))
    for name in ("unlink", "remove"):
        monkeypatch.setattr(os, name, remover(getattr(os, name)))
    for place in (io, builtins):
        monkeypatch.setattr(place, "open", opener)
    return moved


def test_what_is_open_or_mapped_is_seen(tmp_path: Path, strict: list[str]) -> None:
    file, other = tmp_path / "a" / "a.npy", tmp_path / "b.npy"
    file.parent.mkdir()
    np.save(file, np.zeros(5000))
    mapped = np.load(file, mmap_mode="r")
    for refused in (lambda: room.move(file, other), file.unlink, lambda: file.write_bytes(b"")):
        with pytest.raises(PermissionError, match=r"a\.npy"):
            refused()
    shutil.rmtree(file.parent, ignore_errors=True)
    assert file.stat().st_size > 40_000
    del mapped
    room.move(file, other)
    with other.open("rb"), pytest.raises(PermissionError, match=r"b\.npy"):
        room.move(other, file)
    shutil.rmtree(file.parent)
    assert len(strict) == 1


def test_room_that_cannot_be_taken_away_at_once_goes_with_its_array(
    tmp_path: Path, strict: list[str]
) -> None:
    array = Canvas(tmp_path).new((30, 40, 3))
    part = array[3:5]
    part[:] = 7
    (file,) = tmp_path.iterdir()
    del array
    assert held(file)
    assert file.exists()
    del part
    assert not any(tmp_path.iterdir())


def test_runs_and_a_new_picture_touch_nothing_that_is_open(
    command: Callable[..., Any], small_night: Path, tmp_path: Path, strict: list[str]
) -> None:
    """The second run fills the layers of the first anew, and both take away what they worked in."""
    out = tmp_path / "out"
    assert command("run", small_night, "--out", out, "--set", "run.keep_work=true").code == 0
    assert {"stack.fits", "picture.jpg", "provenance.json"} <= {Path(path).name for path in strict}
    layers = out / "work" / "layers"
    assert layers.is_dir()
    assert not [path.name for path in layers.iterdir() if path.name.startswith("canvas")]
    strict.clear()
    assert command("run", small_night, "--out", out, "--set", "integrate.method=drizzle").code == 0
    assert "stack.fits" in {Path(path).name for path in strict}
    assert not layers.exists()
    strict.clear()
    assert command("picture", out, "--look", "bold").code == 0
    assert "picture.jpg" in {Path(path).name for path in strict}
    assert not layers.exists() or not any(layers.iterdir())
