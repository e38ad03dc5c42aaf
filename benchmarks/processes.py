"""What a command costs: wall time, processor time and memory of a program that runs on its own.

Processor time is user and system time of the program and of all it starts, from the kernel's own account
(``wait4``). Memory is *anonymous* memory: what the program holds for itself, without the files it has mapped, which the
system may drop at any time. It is read from ``/proc/PID/status`` (``RssAnon``) fifty times a second, summed over
the program and all it starts, so a peak of less than that may be missed. Where there is no such account, the largest
resident size (``ru_maxrss``) stands for it, which counts mapped files too; `Cost.memory` says which it is.
"""

from __future__ import annotations

import os
import signal
import subprocess
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

__all__ = ["Cost", "measured"]

EVERY_S, KEEP_S = 0.02, 10.0
ANONYMOUS, RESIDENT = "anonymous", "resident"
STOPPED = 1
"""What the program ends with where it was stopped by Ctrl-C."""


@dataclass(frozen=True, slots=True)
class Cost:
    """What one run of a command took."""

    wall_s: float
    cpu_s: float
    peak_bytes: float
    memory: str
    """``anonymous``, or ``resident`` where the system keeps no account of that."""


class _Watch(threading.Thread):
    """Keeps the largest anonymous memory of a process and all it starts, and tells costs up to now."""

    def __init__(self, pid: int, told: Callable[[Cost], None] | None) -> None:
        super().__init__(daemon=True)
        self.pid, self.peak, self._told = pid, 0, told
        self._over, self._begun = threading.Event(), time.perf_counter()

    def run(self) -> None:
        last = self._begun
        while not self._over.wait(EVERY_S):
            family = _family(self.pid)
            self.peak = max(self.peak, sum(map(_anonymous, family)))
            now = time.perf_counter()
            if self._told and now > last + KEEP_S:
                last = now
                self._told(Cost(now - self._begun, sum(map(_cpu_s, family)), float(self.peak), ANONYMOUS))

    def stop(self) -> None:
        self._over.set()
        self.join()


def _anonymous(pid: int) -> int:
    """Anonymous memory of one process in bytes; 0 when it is gone or nothing says it."""
    try:
        lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    except OSError:
        return 0
    return next((1024 * int(line.split()[1]) for line in lines if line.startswith("RssAnon:")), 0)


def _cpu_s(pid: int) -> float:
    """Processor time of one process and of those it started that have ended, seconds; 0 when it is gone."""
    try:
        fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    except OSError:
        return 0.0
    return sum(map(int, fields[11:15])) / os.sysconf("SC_CLK_TCK")


def _family(pid: int) -> list[int]:
    """A process and all processes under it."""
    out = [pid]
    for parent in out:
        for task in Path(f"/proc/{parent}/task").glob("*/children"):
            try:
                out += [int(child) for child in task.read_text().split()]
            except OSError:
                continue
    return out


def _stopped(pid: int, stop: Callable[[], bool]) -> None:
    """Ask a process to stop once it is time."""
    while not stop():
        time.sleep(0.5)
        if not Path(f"/proc/{pid}").exists():
            return
    os.kill(pid, signal.SIGINT)


def measured(
    command: Sequence[str | Path],
    log: Path,
    environment: Mapping[str, str] | None = None,
    stop: Callable[[], bool] | None = None,
    told: Callable[[Cost], None] | None = None,
) -> Cost:
    """Run a command to its end, or until it is to stop.

    Parameters
    ----------
    command : sequence of str
    log : Path
        What the command prints goes there.
    environment : mapping, optional
        Variables besides those of this process.
    stop : callable, optional
        Asked twice a second whether the command is to be stopped, as Ctrl-C does.
    told : callable, optional
        Is told every ten seconds what it took up to now.

    Raises
    ------
    RuntimeError
        The command failed, or came to its end before it was to stop; the message ends with the last lines that it
        printed.
    """
    if (
        stop is not None
    ):  # what was started in the background of a shell, and all that it starts, would not hear Ctrl-C
        signal.signal(signal.SIGINT, signal.default_int_handler)
    with log.open("w") as out:
        start = time.perf_counter()
        process = subprocess.Popen(
            [str(part) for part in command], stdout=out, stderr=subprocess.STDOUT,
            env={**os.environ, **(environment or {})},
        )  # fmt: skip
        watch = _Watch(process.pid, told)
        watch.start()
        if stop is not None:
            threading.Thread(target=_stopped, args=(process.pid, stop), daemon=True).start()
        _, status, usage = os.wait4(process.pid, 0)
        wall = time.perf_counter() - start
        watch.stop()
        process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode != (STOPPED if stop else 0):
        last = "\n".join(log.read_text(errors="replace").splitlines()[-8:])
        raise RuntimeError(f"{' '.join(map(str, command))} ended with {process.returncode}:\n{last}")
    anonymous = watch.peak > 0
    return Cost(
        wall,
        usage.ru_utime + usage.ru_stime,
        float(watch.peak if anonymous else usage.ru_maxrss * 1024),
        ANONYMOUS if anonymous else RESIDENT,
    )
