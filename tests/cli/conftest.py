"""What tests of the commands on finished runs share."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path

import pytest

from bench_sensor import put_bench
from fourlight.pipeline.run import run
from fourlight.recipe import Recipe
from made_once import made_once
from sky_lights import write_lights
from sockets import no_network


@dataclass(frozen=True)
class LookedAt:
    """A run with all evidence."""

    raw: Path
    """Its lights; not to be changed."""
    as_run: Path
    """What it left; not to be changed."""
    out: Path
    """A copy of that, which tests run commands on."""
    asked: tuple[str, ...]
    """What it asked of a network, of which it had none."""


@pytest.fixture(scope="session")
def looked_at(
    looking: Callable[[], AbstractContextManager[None]], small_night: Path, tmp_path_factory: pytest.TempPathFactory
) -> LookedAt:  # fmt: skip
    """The small night, run with all evidence and without a network."""

    def make(folder: Path) -> None:
        shutil.copytree(small_night, folder / "raw")
        with looking(), no_network() as names:
            run([folder / "raw"], folder / "as-run", Recipe())
        (folder / "asked.json").write_text(json.dumps(names), encoding="utf-8")

    folder, out = made_once(tmp_path_factory, "looked-at", make), tmp_path_factory.mktemp("commands") / "out"
    shutil.copytree(folder / "as-run", out)
    asked = json.loads((folder / "asked.json").read_text(encoding="utf-8"))
    return LookedAt(folder / "raw", folder / "as-run", out, tuple(asked))


@pytest.fixture(scope="session")
def finished(looked_at: LookedAt) -> Path:
    """What a finished run on the small night left; not to be changed."""
    return looked_at.as_run


@pytest.fixture(scope="session")
def under_the_sky(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder with lights of a real place of the sky in ``raw``, and what a run on them left in ``out``.

    Neither is to be changed.
    """

    def make(folder: Path) -> None:
        write_lights(folder / "raw")
        run([folder / "raw"], folder / "out", Recipe())

    return made_once(tmp_path_factory, "under-the-sky", make)


@pytest.fixture(scope="session")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Frames to measure a camera by, see `bench_sensor.put_bench`; not to be changed."""
    return made_once(tmp_path_factory, "bench", put_bench)
