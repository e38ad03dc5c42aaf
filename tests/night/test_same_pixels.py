"""The same pixels whatever the threads, the memory, and however often the run was stopped."""

from __future__ import annotations

import os
import signal
import subprocess
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits

from fourlight.engine import Silent
from fourlight.pipeline.run import run
from fourlight.recipe import Recipe, with_settings
from fourlight.stages import geometry
from plain_runs import PLAIN
from stopped_runs import PROGRAM


class Counting(Silent):
    """Remembers how many steps each stage announced, and may stop the run like Ctrl-C at a step."""

    def __init__(self, stage: str = "", after: int = 0) -> None:
        self.totals: dict[str, int] = {}
        self.stop, self.left, self.now = stage, after, ""

    def begin(self, stage: str, total: int) -> None:
        self.now = stage
        self.totals[stage] = total
        if stage == self.stop == "integrate":
            self.left += PARTS * total // (PARTS + 1)

    def step(self, count: int = 1) -> None:
        if self.now == self.stop and count:
            self.left -= count
            if self.left < 0:
                raise KeyboardInterrupt


PARTS = 3
"""Steps told of a tile by drops before the last one, which is that it is written: so many may come before any is."""

DROPS = with_settings(Recipe(), ["integrate.method=drizzle", *PLAIN])
"""Drops give the same pixels for any cut; least squares is always cut alike."""
MANY = with_settings(DROPS, ["run.threads=24"])


@pytest.fixture
def small_tiles(monkeypatch: pytest.MonkeyPatch) -> None:
    """Tiles so small that the night has many."""
    monkeypatch.setattr(geometry, "TILE_BYTES", 1e6)


@pytest.fixture(scope="module")
def in_one_go(nebula: Any, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The stack of a run with memory enough for one tile."""
    out = tmp_path_factory.mktemp("one") / "out"
    run([nebula.raw], out, DROPS)
    return out / "stack.fits"


def same(one: Path, two: Path) -> None:
    for name in ("stack.fits", "halves.fits", "picture.tif", "frames.csv"):
        assert (one / name).read_bytes() == (two / name).read_bytes(), name


def test_threads_do_not_change_a_byte(nebula: Any, tmp_path: Path) -> None:
    """The night of the fixture was run in one thread."""
    run([nebula.raw], tmp_path / "out", with_settings(Recipe(), ["run.threads=4"]))
    same(tmp_path / "out", nebula.out)


def test_memory_does_not_change_a_byte(nebula: Any, tmp_path: Path) -> None:
    """The night of the fixture was run with 2 GB."""
    run([nebula.raw], tmp_path / "out", with_settings(Recipe(), ["run.memory_gb=0.5"]))
    same(tmp_path / "out", nebula.out)


@pytest.mark.usefixtures("small_tiles")
def test_the_cut_does_not_change_a_pixel_of_drops(nebula: Any, in_one_go: Path, tmp_path: Path) -> None:
    """Sums over the same samples in the same order."""
    watch = Counting()
    run([nebula.raw], tmp_path / "out", MANY, watch)
    assert watch.totals["integrate"] > 4 * (PARTS + 1)
    with fits.open(tmp_path / "out" / "stack.fits") as small, fits.open(in_one_go) as large:
        for hdu in large[1:]:
            assert np.array_equal(hdu.data, small[hdu.name].data, equal_nan=True), hdu.name


@pytest.mark.usefixtures("small_tiles")
def test_a_run_stopped_twice_gives_the_same_pixels(nebula: Any, in_one_go: Path, tmp_path: Path) -> None:
    """Stopped while measuring and while integrating; what was done is not done again."""
    recipe, out = MANY, tmp_path / "out"
    with pytest.raises(KeyboardInterrupt):
        run([nebula.raw], out, recipe, Counting("measure", 5))
    kept = sorted((out / "work" / "measured").iterdir())
    assert len(kept) >= 5
    times = {path: path.stat().st_mtime_ns for path in kept}
    with pytest.raises(KeyboardInterrupt):
        run([nebula.raw], out, recipe, Counting("integrate", 2))
    assert {path: path.stat().st_mtime_ns for path in kept} == times
    assert not (out / "stack.fits").exists()
    journal = (out / "work" / "layers" / "tiles.jsonl").read_text().splitlines()
    assert len(journal) >= 3
    run([nebula.raw], out, recipe)
    with fits.open(out / "stack.fits") as again, fits.open(in_one_go) as whole:
        for hdu in whole[1:]:
            assert np.array_equal(hdu.data, again[hdu.name].data, equal_nan=True), hdu.name
    assert not (out / "work" / "layers").exists()


def test_ctrl_c_ends_the_program_in_one_line(nebula: Any, tmp_path: Path, untouched: Any) -> None:
    """The real signal to the real program, once something is measured."""
    if os.name != "posix":
        pytest.skip("signals of POSIX")
    words = ["run", str(nebula.raw), "--out", str(tmp_path / "out"), "--set", "run.threads=1"]
    with untouched(nebula.raw):
        started = subprocess.Popen(
            [*PROGRAM, *words], stderr=subprocess.PIPE, stdout=subprocess.DEVNULL, text=True
        )
        measured = tmp_path / "out" / "work" / "measured"
        until = time.monotonic() + 60
        while not (measured.is_dir() and list(measured.glob("*.npz"))) and time.monotonic() < until:
            time.sleep(0.02)
        started.send_signal(signal.SIGINT)
        _, errors = started.communicate(timeout=60)
    assert started.returncode == 1
    assert errors.splitlines()[-1] == "fourlight: stopped; run the same command again to continue"
    assert "Traceback" not in errors
    assert not (tmp_path / "out" / "stack.fits").exists()
