"""A Dask cluster: found by its address, asked whether it can do the work, missed when it is gone; one line each."""

from __future__ import annotations

import contextlib
import itertools
import os
import socket
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from fourlight.engine import Silent, as_done
from fourlight.errors import StageError
from fourlight.pipeline import cluster
from fourlight.pipeline.run import run
from fourlight.recipe import Recipe, with_settings

distributed = pytest.importorskip("distributed")

WITHOUT = "import sys; sys.modules['fourlight'] = None; "
"""Makes ``import fourlight`` fail as where it is not installed (Python's manual, ``sys.modules``)."""


def test_a_run_without_workers_waits_and_then_says_so(
    small_night: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(cluster, "GONE_S", 1.0)
    with distributed.LocalCluster(n_workers=0, host="127.0.0.1", dashboard_address="127.0.0.1:0") as empty:
        address = empty.scheduler_address
        with pytest.raises(
            StageError, match=f"at {address} has no worker; start some with 'dask worker {address}'"
        ):
            run([small_night], tmp_path / "out", with_settings(Recipe(), [f"run.cluster={address}"]))
    assert not (tmp_path / "out").exists(), "it is said before anything is done"


def test_a_scheduler_that_ends_is_one_line(small_night: Path, tmp_path: Path) -> None:
    class Ending(Silent):
        def step(self, count: int = 1) -> None:
            scheduler.kill()

    with contextlib.ExitStack() as stack:
        address, (scheduler,) = started(stack, "scheduler")
        with pytest.raises(StageError, match=f"the scheduler at {address} does not answer any more"):
            run(
                [small_night], tmp_path / "out", with_settings(Recipe(), [f"run.cluster={address}"]), Ending()
            )


def test_a_scheduler_that_ends_while_work_is_under_way_is_one_line() -> None:
    with contextlib.ExitStack() as stack:
        address, (scheduler, _) = started(stack, "scheduler", "worker")
        with (
            pytest.raises(StageError, match=f"the scheduler at {address} does not answer any more"),
            cluster.connected(address) as found,
        ):
            [scheduler.kill() for _ in as_done(time.sleep, itertools.repeat(0.2, 300), found.crew(1e6))]


@pytest.mark.parametrize("without", ["scheduler", "worker"])
def test_an_environment_without_the_program_is_named(without: str) -> None:
    """Dask itself would let such a worker end without a word to the user."""
    with contextlib.ExitStack() as stack:
        address, _ = started(stack, "scheduler", "worker", without=without)
        with (
            pytest.raises(
                StageError, match=rf"{without} .*cannot load Fourlight \(.*fourlight.*; start it in"
            ),
            cluster.connected(address) as found,
        ):
            found.crew(1e6)


def started(
    stack: contextlib.ExitStack, *parts: str, without: str = ""
) -> tuple[str, list[subprocess.Popen[bytes]]]:
    """The address of a scheduler, and the processes of it and of a worker; one of them may lack the program."""
    port = free_port()
    address = f"tcp://127.0.0.1:{port}"
    words = {
        "scheduler": ["--host", "127.0.0.1", "--port", str(port), "--no-dashboard"],
        "worker": [address, "--nthreads", "1", "--no-nanny", "--no-dashboard"],
    }
    processes = []
    for part in parts:
        code = (WITHOUT if part == without else "") + f"from distributed.cli.dask_{part} import main; main()"
        processes.append(
            subprocess.Popen([sys.executable, "-c", code, *words[part]], stderr=subprocess.DEVNULL)
        )
        stack.callback(processes[-1].wait)
        stack.callback(processes[-1].kill)
    until = time.monotonic() + 60
    while not answers(port) and time.monotonic() < until:
        time.sleep(0.1)
    return address, processes


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


def test_work_that_ends_every_worker_ends_the_run_in_one_line(dask: Any) -> None:
    """As where the memory of workers does not do."""
    with (
        pytest.raises(StageError, match=r"workers ended at the same piece of work; give them more memory"),
        cluster.connected(dask.scheduler_address) as found,
    ):
        # a function that workers know too, wherever the tests are run from
        list(as_done(os._exit, [1], found.crew(1e6)))


# Other systems have no such file to read; the program is the same there.
@pytest.mark.skipif(not Path("/proc/self/net/tcp").exists(), reason="reads the sockets of Linux")
def test_no_port_is_opened() -> None:
    """Of the process that runs; scheduler and worker are others."""
    with contextlib.ExitStack() as stack:
        address, _ = started(stack, "scheduler", "worker")
        before = listening()
        with cluster.connected(address) as found:
            assert found.crew(1e6).count == 1
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
