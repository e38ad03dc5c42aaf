"""What tests of the commands on finished runs share."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path

import pytest

from fourlight.pipeline.run import run
from fourlight.recipe import Recipe
from sockets import no_network


@pytest.fixture(scope="session")
def of_network() -> list[str]:
    """What the run of `looked_at` asked of a network."""
    return []


@pytest.fixture(scope="session")
def looked_at(
    looking: Callable[[], AbstractContextManager[None]], small_night: Path, of_network: list[str],
    tmp_path_factory: pytest.TempPathFactory,
) -> Path:  # fmt: skip
    """Folder with the lights of the small night in ``raw``, and in ``out`` the results of a run with all evidence.

    Tests run commands on ``out``; ``as-run`` holds what the run left. It had no network.
    """
    folder = tmp_path_factory.mktemp("looked-at")
    shutil.copytree(small_night, folder / "raw")
    with looking(), no_network() as names:
        run([folder / "raw"], folder / "out", Recipe())
    of_network += names
    shutil.copytree(folder / "out", folder / "as-run")
    return folder


@pytest.fixture(scope="session")
def finished(looked_at: Path) -> Path:
    """What a finished run on the small night left; not to be changed."""
    return looked_at / "as-run"
