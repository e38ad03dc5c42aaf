"""Two runs in one OUT: the second is refused; what a killed one left behind is taken over."""

from __future__ import annotations

import os
import platform
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from fourlight.errors import OutputError
from fourlight.pipeline.lock import held
from plain_runs import PLAINLY

HOLD = """
import sys, time
from pathlib import Path
from fourlight.pipeline.lock import held
with held(Path(sys.argv[1]), Path("out")):
    print("held", flush=True)
    time.sleep(60)
"""


def holder(path: Path) -> subprocess.Popen[str]:
    path.parent.mkdir(parents=True, exist_ok=True)
    process = subprocess.Popen([sys.executable, "-c", HOLD, str(path)], stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    assert process.stdout.readline() == "held\n"
    return process


def test_the_second_run_says_who_is_there(command: Any, raw: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    assert command("run", raw, "--out", out, *PLAINLY).code == 0
    before = (out / "stack.fits").stat().st_mtime_ns
    with holder(out / "work" / "lock") as process:
        done = command("run", raw, "--out", out, *PLAINLY)
        process.kill()
    assert done.code == 2
    for word in (str(process.pid), platform.node(), "begun 20", str(out), "choose another folder"):
        assert word in done.line
    assert (out / "stack.fits").stat().st_mtime_ns == before
    again = command("run", raw, "--out", out, *PLAINLY)
    assert again.code == 0
    assert f"going on where process {process.pid} on {platform.node()}" in again.err
    assert "going on where" not in command("run", raw, "--out", out, *PLAINLY).err


def test_a_new_folder_of_another_run_is_left_alone(command: Any, raw: Path, tmp_path: Path) -> None:
    """The refused run must not take away what the first one has only just made."""
    out = tmp_path / "out"
    with holder(out / "work" / "lock") as process:
        (out / ".fourlight").write_text("ours")
        assert command("run", raw, "--out", out, *PLAINLY).code == 2
        process.kill()
    assert (out / "work" / "lock").exists()


@pytest.mark.parametrize("how", ["kill", "end"])
def test_a_lock_ends_with_its_process(tmp_path: Path, how: str) -> None:
    path = tmp_path / "lock"
    if how == "kill":
        with holder(path) as process:
            os.kill(process.pid, signal.SIGKILL)
        with held(path, tmp_path) as before:
            assert before.startswith(f"process {process.pid} on ")
    else:
        with held(path, tmp_path):
            pass
    with held(path, tmp_path) as before:
        assert before == ""


def test_two_runs_of_one_process_do_not_share(tmp_path: Path) -> None:
    path, out = tmp_path / "lock", Path("some out")
    second = held(path, out)
    with held(path, out), pytest.raises(OutputError, match=f"some out: process {os.getpid()} on"):
        second.__enter__()
    with held(path, out):
        pass
