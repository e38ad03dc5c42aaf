"""Measuring and integrating in other processes: the same bytes, stopped and gone on with, and what happens to them."""

from __future__ import annotations

import multiprocessing
import os
import signal
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from fourlight.engine import Crew, Silent
from fourlight.errors import InputError, StageError
from fourlight.pipeline.run import run
from fourlight.recipe import Recipe, with_settings
from fourlight.stages import geometry, integrate
from plain_runs import PLAIN, words

FILES = ("stack.fits", "halves.fits", "picture.tif", "frames.csv", "summary.json")
METHODS = ("drizzle", "least-squares")


@pytest.fixture(autouse=True)
def many_tiles(monkeypatch: pytest.MonkeyPatch) -> None:
    """Twelve tiles on the small night."""
    monkeypatch.setattr(geometry, "TILE_BYTES", 1e6)


class Stopping(Silent):
    """Calls something after a number of steps of one stage."""

    def __init__(self, stage: str, after: int, then: Callable[[], None]) -> None:
        self.stage, self.left, self.then, self.now = stage, after, then, ""
        self.done: dict[str, int] = {}

    def begin(self, stage: str, total: int) -> None:
        self.now, self.done[stage] = stage, 0

    def step(self, count: int = 1) -> None:
        self.done[self.now] += count
        if self.now == self.stage and count and self.left >= 0:
            self.left -= 1
            if self.left < 0:
                self.then()


def interrupt() -> None:
    raise KeyboardInterrupt


def asked(method: str) -> list[str]:
    """Settings of the runs by a method: those by least squares make the usual picture."""
    return [f"integrate.method={method}", *(PLAIN if method == "drizzle" else [])]


def recipe(method: str, *settings: str) -> Recipe:
    return with_settings(Recipe(), [*asked(method), *settings])


def results(folder: Path) -> dict[str, bytes]:
    return {name: (folder / name).read_bytes() for name in FILES}


@pytest.fixture(scope="module")
def by_one_thread(small_night: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, bytes]]:
    found = {}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(geometry, "TILE_BYTES", 1e6)
        for method in METHODS:
            out = tmp_path_factory.mktemp("one") / "out"
            run([small_night], out, recipe(method, "run.threads=1"))
            found[method] = results(out)
    return found


@pytest.fixture(scope="module")
def pool() -> Iterator[Crew]:
    with ProcessPoolExecutor(2, mp_context=multiprocessing.get_context("spawn")) as executor:
        yield Crew(2, executor)


@pytest.mark.parametrize("method", METHODS)
def test_threads_give_the_same_bytes(
    small_night: Path, tmp_path: Path, by_one_thread: Any, method: str
) -> None:
    run([small_night], tmp_path / "out", recipe(method, "run.threads=3"))
    assert results(tmp_path / "out") == by_one_thread[method]


@pytest.mark.parametrize("method", METHODS)
def test_processes_give_the_same_bytes(
    small_night: Path, tmp_path: Path, by_one_thread: Any, pool: Crew, method: str
) -> None:
    watch = Stopping("", 0, interrupt)
    run([small_night], tmp_path / "out", recipe(method), watch, crew=pool)
    assert results(tmp_path / "out") == by_one_thread[method]
    assert watch.done["measure"] == 4
    assert watch.done["integrate"] % 12 == 0


@pytest.mark.parametrize("method", METHODS)
def test_dask_gives_the_same_bytes(
    command: Any,
    small_night: Path,
    tmp_path: Path,
    by_one_thread: Any,
    dask: Any,
    method: str,
    monkeypatch: Any,
) -> None:
    """By the command, as a user would."""
    out = tmp_path / "out"
    address = dask.scheduler_address
    done = command("run", small_night, "--out", out, "--cluster", address, *words(asked(method)))
    assert done.code == 0, done.err
    assert results(out) == by_one_thread[method]
    assert address not in (out / "provenance.json").read_text(), "the next time it is done elsewhere"
    assert command("run", "--again", out / "provenance.json", "--out", tmp_path / "again").code == 0
    assert (tmp_path / "again" / "stack.fits").read_bytes() == by_one_thread[method]["stack.fits"]


@pytest.mark.parametrize("stage", ["measure", "integrate"])
def test_a_run_stopped_in_a_cluster_goes_on_in_threads(
    small_night: Path,
    tmp_path: Path,
    by_one_thread: Any,
    dask: Any,
    stage: str,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """What was measured and integrated is not done again."""
    out = tmp_path / "out"
    with pytest.raises(KeyboardInterrupt):
        run(
            [small_night], out, recipe("drizzle", f"run.cluster={dask.scheduler_address}"),
            Stopping(stage, 2, interrupt),
        )  # fmt: skip
    kept = {path: path.stat().st_mtime_ns for path in (out / "work" / "measured").iterdir()}
    assert len(kept) >= (2 if stage == "measure" else 4)
    noted = out / "work" / "layers" / "tiles.jsonl"
    # the first line tells what the tiles are of
    done = len(noted.read_text().splitlines()) - 1 if stage == "integrate" else 0
    assert (done >= 2) == (stage == "integrate")
    made: list[Any] = []
    plain = integrate.integrate_tile
    monkeypatch.setattr(integrate, "integrate_tile", lambda *words: made.append(words[0]) or plain(*words))
    run([small_night], out, recipe("drizzle"))
    assert len(made) == 12 - done
    assert all(path.stat().st_mtime_ns == time for path, time in kept.items())
    assert results(out) == by_one_thread["drizzle"]


# Windows has no signal that ends a process as the system would.
@pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")
def test_work_of_a_worker_that_was_killed_is_done_again(
    small_night: Path, tmp_path: Path, by_one_thread: Any, dask: Any
) -> None:
    def kill() -> None:
        worker = next(iter(dask.workers.values()))
        os.kill(worker.pid, signal.SIGKILL)

    watch = Stopping("integrate", 2, kill)
    run(
        [small_night], tmp_path / "out", recipe("drizzle", f"run.cluster={dask.scheduler_address}"), watch
    )  # fmt: skip
    assert watch.left < 0, "a worker was killed"
    assert results(tmp_path / "out") == by_one_thread["drizzle"]


# Windows has no signal that ends a process as the system would.
@pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")
def test_a_killed_process_of_a_pool_ends_the_run_in_one_line(
    small_night: Path, tmp_path: Path, by_one_thread: Any
) -> None:
    """Nothing starts it again; another run goes on."""
    out = tmp_path / "out"
    with ProcessPoolExecutor(2, mp_context=multiprocessing.get_context("spawn")) as executor:

        def kill() -> None:
            with (
                executor._result_queue._wlock
            ):  # a pool never hears of one that is killed in the middle of a message
                os.kill(next(iter(executor._processes)), signal.SIGKILL)

        with pytest.raises(
            StageError, match=r"a process that was at work ended without a word; .* run again"
        ):
            run([small_night], out, recipe("drizzle"), Stopping("integrate", 1, kill), crew=Crew(2, executor))
    assert len((out / "work" / "layers" / "tiles.jsonl").read_text().splitlines()) >= 2
    run([small_night], out, recipe("drizzle"))
    assert results(out) == by_one_thread["drizzle"]


def test_workers_that_do_not_see_the_frames_end_the_run_in_one_line(
    small_night: Path, tmp_path: Path, pool: Crew, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A frame that is gone when it is measured stands for a folder that another computer does not share."""
    gone = tmp_path / "raw"
    gone.mkdir()
    for path in small_night.glob("*.fits"):
        (gone / path.name).write_bytes(path.read_bytes())

    class Hiding(Silent):
        def begin(self, stage: str, total: int) -> None:
            if stage == "measure":
                (gone / "light_0003.fits").rename(tmp_path / "elsewhere.fits")

    with pytest.raises(
        StageError, match=r"does not see .*light_0003\.fits; raw frames and OUT must lie on a disk"
    ):
        run([gone], tmp_path / "out", recipe("drizzle"), Hiding(), crew=pool)
    with pytest.raises(InputError):
        run([tmp_path / "nowhere"], tmp_path / "out", recipe("drizzle"), crew=pool)
