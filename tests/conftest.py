"""What end-to-end tests share: a small simulated night, the command run in process, and a watch on raw folders."""

from __future__ import annotations

import hashlib
import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from fourlight.cli.app import build
from fourlight.pipeline import run as running
from fourlight.pipeline.evidence import Evidence
from fourlight.simulate.render import simulate
from fourlight.simulate.scene import loads

SMALL = """
seed = 3
[object]
size = 0.7
[camera]
width_px = 240
height_px = 180
[stars]
count = 70
cluster_count = 0
[[nights]]
count = 4
"""


LOOKING = [False]
"""Whether runs measure evidence on their lights."""


@pytest.fixture(scope="session", autouse=True)
def _seldom() -> Iterator[None]:
    """Runs measure evidence where a test is about it: of a run as small as those of tests it is most of the work."""
    measured = running.evidence_of
    running.evidence_of = lambda run: measured(run) if LOOKING[0] else Evidence()
    yield
    running.evidence_of = measured


@pytest.fixture(scope="session")
def looking() -> Callable[[], AbstractContextManager[None]]:
    """Inside of it runs measure evidence, as they do for users."""

    @contextmanager
    def inside() -> Iterator[None]:
        LOOKING[0] = True
        try:
            yield
        finally:
            LOOKING[0] = False

    return inside


@pytest.fixture(scope="module")
def evidence(looking: Callable[[], AbstractContextManager[None]]) -> Iterator[None]:
    """Runs of the tests of a module measure evidence."""
    with looking():
        yield


@dataclass(frozen=True)
class Outcome:
    """What a command left behind."""

    code: int
    out: str
    err: str

    @property
    def line(self) -> str:
        """The one line of an error, without the program's name; fails where there is not exactly one."""
        lines = [text for text in self.err.splitlines() if text.startswith("fourlight: ")]
        assert len(lines) == 1, self.err
        assert self.err.splitlines()[-1] == lines[0]
        assert "Traceback" not in self.err
        assert 20 < len(lines[0]) < 500
        return lines[0].removeprefix("fourlight: ")


Command = Callable[..., Outcome]


@pytest.fixture
def command(capsys: pytest.CaptureFixture[str]) -> Command:
    """Run ``fourlight`` with some words, as the console script does."""

    def call(*words: object) -> Outcome:
        capsys.readouterr()
        code = build([str(word) for word in words])
        caught = capsys.readouterr()
        return Outcome(code, caught.out, caught.err)

    return call


@pytest.fixture
def no_settings(monkeypatch: pytest.MonkeyPatch, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An empty folder for settings: whoever runs the tests may have sites of their own."""
    folder = tmp_path_factory.mktemp("settings")
    for name in ("XDG_CONFIG_HOME", "APPDATA"):
        monkeypatch.setenv(name, str(folder))
    return folder


@pytest.fixture(scope="session")
def small_night(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder of four simulated lights without calibration frames; not to be changed."""
    out = tmp_path_factory.mktemp("small") / "sim"
    simulate(loads(SMALL), out)
    return out / "night1"


@pytest.fixture
def raw(small_night: Path, tmp_path: Path) -> Path:
    """A copy of the small night to do things to."""
    folder = tmp_path / "raw"
    shutil.copytree(small_night, folder)
    return folder


def _state(folder: Path) -> dict[str, tuple[str, int, int]]:
    found = {}
    for top, _, names in os.walk(folder):
        for path in (Path(top), *(Path(top, name) for name in names)):
            state = path.lstat()
            text = path.read_bytes() if path.is_file() else b""
            found[str(path)] = (hashlib.sha256(text).hexdigest(), state.st_mtime_ns, state.st_mode)
    return found


@pytest.fixture
def untouched() -> Callable[[Path], AbstractContextManager[None]]:
    """Check that a folder holds the same bytes, names, times and modes afterwards."""

    @contextmanager
    def watch(folder: Path) -> Iterator[None]:
        before = _state(folder)
        assert before
        yield
        assert _state(folder) == before

    return watch
