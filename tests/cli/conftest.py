"""What tests of the commands on finished runs share."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path

import pytest

from fourlight.cli.app import build
from fourlight.pipeline.run import run
from fourlight.recipe import Recipe
from sockets import no_network


@pytest.fixture(scope="session")
def looked_at(
    looking: Callable[[], AbstractContextManager[None]], small_night: Path, tmp_path_factory: pytest.TempPathFactory
) -> Path:  # fmt: skip
    """Folder with the lights of the small night in ``raw``, and in ``out`` the results of a run with all evidence."""
    folder = tmp_path_factory.mktemp("looked-at")
    shutil.copytree(small_night, folder / "raw")
    with looking():
        run([folder / "raw"], folder / "out", Recipe())
    return folder


@pytest.fixture(scope="session")
def asked() -> list[str]:
    """What the run of `finished` asked of a network."""
    return []


@pytest.fixture(scope="session")
def finished(
    looking: Callable[[], AbstractContextManager[None]], small_night: Path, asked: list[str],
    tmp_path_factory: pytest.TempPathFactory,
) -> Path:  # fmt: skip
    """OUT of one finished run on the small night, without a network; not to be changed."""
    out = tmp_path_factory.mktemp("finished") / "out"
    with looking(), no_network() as names:
        code = build(["run", str(small_night), "--out", str(out)])
    assert code == 0
    asked += names
    return out
