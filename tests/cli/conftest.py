"""What tests of the commands on finished runs share."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path

import pytest

from fourlight.pipeline.run import run
from fourlight.recipe import Recipe


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
