"""Measuring and integrating in other processes: the same bytes, stopped and gone on with, and what happens to them."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from fourlight.engine import Crew, Silent, as_done
from fourlight.errors import InputError, StageError
from fourlight.pipeline import cluster
from fourlight.pipeline.run import run
from fourlight.recipe import Recipe, with_settings
from fourlight.stages import geometry

FILES = ("stack.fits", "halves.fits", "picture.tif", "frames.csv", "summary.json")
METHODS = ("drizzle", "least-squares")

distributed = pytest.importorskip("distributed")


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


def recipe(method: str, *settings: str) -> Recipe:
    return with_settings(Recipe(), [f"integrate.method={method}", *settings])


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


@pytest.fixture(scope="module")
def dask() -> Iterator[Any]:
    """Two workers in processes of their own; a worker that ends is started again."""
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, host="127.0.0.1", dashboard_address="127.0.0.1:0"
    ) as found:
        yield found


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
    done = command(
        "run", small_night, "--out", out, "--cluster", address, "--set", f"integrate.method={method}"
    )
    assert done.code == 0, done.err
    assert results(out) == by_one_thread[method]
    assert address not in (out / "provenance.json").read_text(), "the next time it is done elsewhere"
    assert command("run", "--again", out / "provenance.json", "--out", tmp_path / "again").code == 0
    assert (tmp_path / "again" / "stack.fits").read_bytes() == by_one_thread[method]["stack.fits"]


@pytest.mark.parametrize("stage", ["measure", "integrate"])
def test_a_run_stopped_in_a_cluster_goes_on_in_threads(
    small_night: Path, tmp_path: Path, by_one_thread: Any, dask: Any, stage: str
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
    if stage == "integrate":
        assert len((out / "work" / "layers" / "tiles.jsonl").read_text().splitlines()) >= 3
    run([small_night], out, recipe("drizzle"))
    assert all(path.stat().st_mtime_ns == time for path, time in kept.items())
    assert results(out) == by_one_thread["drizzle"]


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


@pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")
def test_a_killed_process_of_a_pool_ends_the_run_in_one_line(
    small_night: Path, tmp_path: Path, by_one_thread: Any
) -> None:
    """Nothing starts it again; another run goes on."""
    out = tmp_path / "out"
    with ProcessPoolExecutor(2, mp_context=multiprocessing.get_context("spawn")) as executor:

        def kill() -> None:
            os.kill(next(iter(executor._processes)), signal.SIGKILL)

        with pytest.raises(
            StageError, match=r"a process that was at work ended without a word; .* run again"
        ):
            run([small_night], out, recipe("drizzle"), Stopping("integrate", 1, kill), crew=Crew(2, executor))
    assert len((out / "work" / "layers" / "tiles.jsonl").read_text().splitlines()) >= 2
    run([small_night], out, recipe("drizzle"))
    assert results(out) == by_one_thread["drizzle"]


def test_a_run_without_workers_waits_and_then_says_so(
    small_night: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(cluster, "GONE_S", 1.0)
    with distributed.LocalCluster(n_workers=0, host="127.0.0.1", dashboard_address="127.0.0.1:0") as empty:
        address = empty.scheduler_address
        with pytest.raises(
            StageError, match=f"at {address} has no worker; start some with 'dask worker {address}'"
        ):
            run([small_night], tmp_path / "out", recipe("drizzle", f"run.cluster={address}"))
    assert not (tmp_path / "out").exists(), "it is said before anything is done"


def test_a_scheduler_that_ends_is_one_line(small_night: Path, tmp_path: Path) -> None:
    with contextlib.ExitStack() as stack:
        start = (
            sys.executable,
            "-m",
            "distributed.cli.dask_scheduler",
            "--no-dashboard",
            "--host",
            "127.0.0.1",
        )
        port = free_port()
        process = stack.enter_context(
            subprocess.Popen([*start, "--port", str(port)], stderr=subprocess.DEVNULL)
        )
        stack.callback(process.kill)
        address = f"tcp://127.0.0.1:{port}"
        until = time.monotonic() + 30
        while not answers(port) and time.monotonic() < until:
            time.sleep(0.1)
        with pytest.raises(StageError, match=f"the scheduler at {address} does not answer any more"):
            run(
                [small_night], tmp_path / "out", recipe("drizzle", f"run.cluster={address}"),
                Stopping("read", 0, process.kill),
            )  # fmt: skip


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


def answers(port: int) -> bool:
    try:
        socket.create_connection(("127.0.0.1", port), timeout=1).close()
    except OSError:
        return False
    return True


@pytest.mark.parametrize(
    ("address", "said"),
    [
        ("nonsense", "must be the address of a Dask scheduler, such as tcp://host:8786"),
        ("tcp://127.0.0.1", "must be the address of a Dask scheduler"),
        ("http://127.0.0.1:80", "must be the address of a Dask scheduler"),
        ("tcp://127.0.0.1:{free}", "no Dask scheduler answers"),
        ("tls://127.0.0.1:{free}", "encryption needs certificates, and none are set"),
    ],
)
def test_no_scheduler_is_one_line_and_leaves_nothing(
    command: Any, small_night: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, address: str, said: str
) -> None:
    monkeypatch.setattr(cluster, "ANSWER_S", 1.0)
    done = command(
        "run", small_night, "--out", tmp_path / "out", "--cluster", address.format(free=free_port())
    )
    assert done.code == 2
    assert said in done.line
    assert not (tmp_path / "out").exists()


def test_a_missing_library_is_said_with_how_to_install_it(
    command: Any, small_night: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    done = command("run", small_night, "--out", tmp_path / "out", "--cluster", "tcp://127.0.0.1:8786")
    assert done.code == 2
    assert "install it with python -m pip install 'distributed>=" in done.line
    wanted = (Path(__file__).parents[2] / "pyproject.toml").read_text(encoding="utf-8")
    assert f'cluster = ["{cluster.WANTED}"]' in wanted


class Told:
    """Stands in for the client of a scheduler that knows one worker."""

    status = "running"

    def __init__(self, **facts: object) -> None:
        self.facts, self.known = facts, True

    def scheduler_info(self, n_workers: int) -> dict[str, Any]:
        assert n_workers == -1
        return {"workers": {"tcp://a:1": self.facts} if self.known else {}}

    def run_on_scheduler(self, *_: object) -> str:
        return "0"

    def run(self, *_: object, **__: object) -> dict[str, str]:
        return {"tcp://a:1": "0"}

    def get_executor(self, **_: object) -> str:
        return "executor"


def test_a_worker_with_too_little_memory_is_named() -> None:
    """Eight threads with a tile of 200 MB each and the program do not fit into 70 per cent of 2 GB."""
    small = cluster.Cluster("tcp://s:8786", Told(nthreads=8, memory_limit=2e9))  # type: ignore[arg-type]
    with pytest.raises(StageError, match=r"tcp://a:1 has 2\.0 GB for 8 threads; 2\.7 GB are needed"):
        small.crew(200e6)
    for memory in (3e9, 0):  # 0: no limit
        large = cluster.Cluster("tcp://s:8786", Told(nthreads=8, memory_limit=memory))  # type: ignore[arg-type]
        assert large.crew(200e6).count == 8


def test_workers_that_went_twice_are_waited_for_twice(monkeypatch: pytest.MonkeyPatch) -> None:
    """The run began without workers; some came; when they are lost much later, it waits as long as before."""
    now = 100.0
    monkeypatch.setattr(cluster.time, "monotonic", lambda: now)
    told = Told(nthreads=1, memory_limit=0)
    found = cluster.Cluster("tcp://s:8786", told)  # type: ignore[arg-type]
    told.known = False
    found.watch()
    told.known = True
    assert found.crew(1e6).count == 1
    told.known = False
    now += 2 * cluster.GONE_S
    found.watch()
    now += cluster.GONE_S
    with pytest.raises(StageError, match="has no worker"):
        found.watch()


def ends(_: object) -> None:
    os._exit(1)


def test_work_that_ends_every_worker_ends_the_run_in_one_line(dask: Any) -> None:
    """As where the memory of workers does not do."""
    with (
        pytest.raises(StageError, match=r"workers ended at the same piece of work; give them more memory"),
        cluster.connected(dask.scheduler_address) as found,
    ):
        list(as_done(ends, [1], found.crew(1e6)))


WITHOUT = "import sys; sys.modules['fourlight'] = None; "
"""Makes ``import fourlight`` fail as where it is not installed (Python's manual, ``sys.modules``)."""


@pytest.mark.parametrize("without", ["scheduler", "worker"])
def test_an_environment_without_the_program_is_named(without: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Dask itself would let such a worker end without a word to the user."""
    monkeypatch.setattr(cluster, "GONE_S", 30.0)
    address = f"tcp://127.0.0.1:{free_port()}"
    words = {
        "scheduler": ["--host", "127.0.0.1", "--port", address.rpartition(":")[2], "--no-dashboard"],
        "worker": [address, "--nthreads", "1", "--no-nanny", "--no-dashboard"],
    }
    with contextlib.ExitStack() as stack:
        for part, options in words.items():
            code = f"from distributed.cli.dask_{part} import main; main()"
            process = subprocess.Popen(
                [sys.executable, "-c", (WITHOUT if part == without else "") + code, *options],
                stderr=subprocess.DEVNULL,
            )
            stack.callback(process.wait)
            stack.callback(process.kill)
        with (
            pytest.raises(
                StageError, match=rf"{without} .*cannot load Fourlight \(.*fourlight.*; start it in"
            ),
            cluster.connected(address) as found,
        ):
            found.crew(1e6)


@pytest.mark.skipif(not Path("/proc/self/net/tcp").exists(), reason="reads the sockets of Linux")
def test_no_port_is_opened(dask: Any) -> None:
    """Of the process that runs; the workers of a test are others."""
    before = listening()
    with cluster.connected(dask.scheduler_address) as found:
        assert found.crew(1e6).count >= 1, "one may be on its way back from another test"
        assert listening() == before


def listening() -> set[str]:
    """Listening sockets of this process (state 0A in proc(5), /proc/net/tcp)."""
    own = set()
    for handle in Path("/proc/self/fd").iterdir():
        with contextlib.suppress(OSError):
            own.add(os.readlink(handle))
    lines = [
        line.split()
        for name in ("tcp", "tcp6")
        for line in Path("/proc/self/net", name).read_text().splitlines()[1:]
    ]
    return {parts[1] for parts in lines if parts[3] == "0A" and f"socket:[{parts[9]}]" in own}


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
