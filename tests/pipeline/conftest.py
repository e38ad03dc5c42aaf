"""What tests of several parts of a run share."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import redirect_stderr
from io import StringIO
from pathlib import Path
from typing import Any

import pytest

from fourlight.cli.app import build
from fourlight.pipeline import live_desk
from fourlight.pipeline.run import run
from fourlight.recipe import Recipe, with_settings
from fourlight.simulate.render import simulate
from fourlight.simulate.scene import loads
from kept_stacks import KEEP
from made_once import made_once
from two_nights import SMALL, WIDE, two_nights
from watched_nights import SCENE as WATCHED


@pytest.fixture(scope="session")
def nights(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Folders of the first night with calibration frames, and of the second night; not to be changed."""
    root = made_once(tmp_path_factory, "nights", lambda folder: two_nights(folder, SMALL))
    return root / "first", root / "second"


@pytest.fixture(scope="session")
def first(nights: tuple[Path, Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """OUT of the first night with its sums; not to be changed."""

    def make(root: Path) -> None:
        run([nights[0]], root / "out", with_settings(Recipe(), KEEP))

    return made_once(tmp_path_factory, "first-night", make) / "out"


@pytest.fixture(scope="session")
def added(nights: tuple[Path, Path], first: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """OUT of the first night to which the second was added; not to be changed."""

    def make(root: Path) -> None:
        shutil.copytree(first, root / "out")
        with redirect_stderr(StringIO()) as said:
            code = build(["run", "--add", str(nights[1]), "--out", str(root / "out")])
        assert code == 0, said.getvalue()

    return made_once(tmp_path_factory, "nights-added", make) / "out"


@pytest.fixture(scope="session")
def wide(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, Path]:
    """Folders of two nights of a wide field, and OUT of the first with its sums; not to be changed."""

    def make(root: Path) -> None:
        run([two_nights(root, WIDE)[0]], root / "out", with_settings(Recipe(), KEEP))

    root = made_once(tmp_path_factory, "wide-nights", make)
    return root / "first", root / "second", root / "out"


@pytest.fixture
def out(first: Path, tmp_path: Path) -> Path:
    shutil.copytree(first, tmp_path / "out")
    return tmp_path / "out"


@pytest.fixture(scope="module")
def dask() -> Iterator[Any]:
    """Two workers in processes of their own; a worker that ends is started again."""
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, host="127.0.0.1", dashboard_address="127.0.0.1:0"
    ) as found:
        yield found


@pytest.fixture(scope="session")
def lights(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Subs of a night that is watched, in the order of their times; nobody may change them."""
    place = made_once(tmp_path_factory, "watched", lambda folder: simulate(loads(WATCHED), folder))
    return sorted((place / "night1").glob("*.fits"))


@pytest.fixture
def only_at_the_end(monkeypatch: pytest.MonkeyPatch) -> None:
    """Charts and pictures of a watched night are made when it ends, and not before."""
    monkeypatch.setattr(live_desk.Desk, "_chart", lambda _desk: None)
    monkeypatch.setattr(live_desk.Desk, "_picture_due", lambda _desk: False)


@pytest.fixture
def without_charts(only_at_the_end: None, monkeypatch: pytest.MonkeyPatch) -> None:
    """No chart of a watched night is drawn, for tests of its stack; its picture is made when it ends."""
    monkeypatch.setattr(live_desk, "write_charts", lambda *_: None)
