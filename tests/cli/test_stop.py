"""A run that is told to end: one line, exit code 1, nothing half done, and the next run goes on."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

MAIN = (
    # a shell starts what runs in its background with Ctrl-C ignored (POSIX.1-2017, Shell 2.11), the tests too
    "import signal; signal.signal(signal.SIGINT, signal.default_int_handler);"
    "from fourlight.cli import main; main()"
)


# Windows ends a process that is sent SIGTERM without asking it, and Ctrl-C there goes to the whole console.
@pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT], ids=["SIGTERM", "SIGINT"])
@pytest.mark.parametrize("stage", ["read", "calibrate"])
def test_told_to_end(command: Any, raw: Path, tmp_path: Path, number: int, stage: str) -> None:
    """Stopped as soon as a stage is done, in the next one."""
    out = tmp_path / "out"
    words = [sys.executable, "-c", MAIN, "run", str(raw), "--out", str(out)]
    with subprocess.Popen(words, stderr=subprocess.PIPE, text=True) as process:
        assert process.stderr is not None
        for line in process.stderr:
            if line.startswith(stage):
                process.send_signal(number)
                break
        said = process.stderr.read().splitlines()
    assert process.returncode == 1
    assert said[-1] == "fourlight: stopped; run the same command again to continue"
    assert not any("Traceback" in line for line in said)
    assert not list(out.rglob("*.part"))
    assert not (out / "stack.fits").exists()
    again = command("run", raw, "--out", out)
    assert again.code == 0, again.err
    assert "ended without a word" not in again.err, "the lock was given back"
