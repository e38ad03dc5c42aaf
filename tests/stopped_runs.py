"""The real program, told to end in the middle of its work."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from pathlib import Path

LISTENING = "import signal; signal.signal(signal.SIGINT, signal.default_int_handler);"
"""A shell starts what runs in its background with Ctrl-C ignored (POSIX.1-2017, Shell 2.11), the tests too."""
PROGRAM = (sys.executable, "-c", f"{LISTENING} from fourlight.cli import main; main()")
"""The program as its console script starts it, listening to Ctrl-C."""


def stopped(stage: str, *words: object, number: int = signal.SIGINT, drawn: Path | None = None) -> None:
    """Run a command, tell it to end when a stage is done and a file is there, and check that it says so."""
    with subprocess.Popen([*PROGRAM, *map(str, words)], stderr=subprocess.PIPE, text=True) as process:
        assert process.stderr is not None
        for line in process.stderr:
            if line.startswith(stage):
                while drawn and not drawn.exists() and process.poll() is None:
                    time.sleep(0.01)
                process.send_signal(number)
                break
        said = process.stderr.read().splitlines()
    assert process.returncode == 1, said
    assert said[-1] == "fourlight: stopped; run the same command again to continue"
    assert not any("Traceback" in line for line in said)
