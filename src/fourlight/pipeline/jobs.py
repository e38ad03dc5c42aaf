"""Jobs of one session: one at a time, each in a process of its own, with what is told of them."""

from __future__ import annotations

import logging
import multiprocessing
import threading
import time
from collections import deque
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from multiprocessing.context import SpawnProcess
from typing import Any

from fourlight.errors import InputError, StageError
from fourlight.pipeline.job_process import Order, work_in_process
from fourlight.pipeline.pace import Pace
from fourlight.report.words import duration

__all__ = ["Jobs"]

LOG = logging.getLogger("fourlight")
"""Tells where a fault came from; the command line shows it with --debug."""

MOST_LINES = 400
"""Lines that are kept of a job."""
MOST_ENDED = 12
"""Jobs that are told of after they ended."""
ENDED = ("done", "stopped", "failed")
DIED = "the process of this job ended without a word; it may have lacked memory; start it again: what is done is kept"


@dataclass(slots=True)
class _Entry:
    """A job with all that is known of it."""

    number: int
    title: str
    process: SpawnProcess
    link: Connection
    state: str = "working"
    """``working``, ``stopping`` or one of `ENDED`."""
    stage: str = ""
    pace: Pace = field(default_factory=Pace)
    lines: deque[tuple[str, str]] = field(default_factory=lambda: deque(maxlen=MOST_LINES))
    said: int = 0
    """Lines in all, those that are kept no longer among them."""
    why: str = ""
    begun: float = field(default_factory=time.monotonic)
    took_s: float = 0.0

    def told(self) -> dict[str, Any]:
        """As plain data."""
        ended = self.state in ENDED
        left = None if ended else self.pace.left_s()
        return {
            "number": self.number, "title": self.title, "state": self.state, "stage": "" if ended else self.stage,
            "done": min(self.pace.done, self.pace.total), "total": self.pace.total,
            "left": "" if left is None else f"about {duration(max(1, round(left)))} left",
            "took": duration(max(1, round(self.took_s))) if ended else "", "why": self.why, "lines": list(self.lines),
            "said": self.said,
        }  # fmt: skip


class Jobs:
    """Starts jobs, follows them and stops them; safe for several threads."""

    def __init__(self) -> None:
        self._lock = threading.RLock()
        self._entries: list[_Entry] = []
        self._made = 0
        self._closed = False
        self.edition = 0
        """Grows with everything that is to be told."""

    def start(self, order: Order) -> int:
        """Start a job and return its number.

        Raises
        ------
        InputError
            Another one is at work, or the session ends.
        StageError
            The system gives no process.
        """
        with self._lock:
            if self._closed:
                raise InputError("the page is being closed; start fourlight open again")
            if busy := self.at_work:
                raise InputError(
                    f"a job is at work ({busy}); wait for its end or stop it, then start the other one"
                )
            self._made += 1
            entry = _started(self._made, order)
            self._entries = [*self._entries[-MOST_ENDED:], entry]
            self.edition += 1
        threading.Thread(target=self._follow, args=(entry,), daemon=True).start()
        return entry.number

    @property
    def at_work(self) -> str:
        """Title of the job that is at work; empty where none is."""
        with self._lock:
            return next((entry.title for entry in self._entries if entry.state not in ENDED), "")

    def stop(self, number: int) -> None:
        """Ask a job to stop; asked a second time, it is ended at once.

        Raises
        ------
        InputError
            No job of this number is at work.
        """
        with self._lock:
            found = [e for e in self._entries if e.number == number and e.state not in ENDED]
            if not found:
                raise InputError(f"no job of number {number} is at work")
            entry = found[0]
            if entry.state == "stopping":
                entry.process.kill()
            entry.state = "stopping"
            self.edition += 1
        with suppress(OSError):  # it has just ended
            entry.link.send("stop")

    def told(self) -> list[dict[str, Any]]:
        """All jobs as plain data, the latest first."""
        with self._lock:
            return [entry.told() for entry in reversed(self._entries)]

    def close(self, patience_s: float = 60.0) -> None:
        """Stop the job at work and wait until it has ended; it is ended by force where it takes longer than that."""
        with self._lock:
            self._closed = True
            working: Sequence[_Entry] = [entry for entry in self._entries if entry.state not in ENDED]
        for entry in working:
            try:
                with suppress(InputError):  # it has just ended
                    if entry.state != "stopping":
                        self.stop(entry.number)
                entry.process.join(patience_s)
            finally:
                entry.process.kill()
                entry.process.join()

    def _follow(self, entry: _Entry) -> None:
        """Take what the process says until it says no more."""
        last: tuple[Any, ...] = ()
        try:
            while True:
                message = entry.link.recv()
                with self._lock:
                    if not _taken(entry, message):
                        last = message
                    self.edition += 1
        except (EOFError, OSError):
            pass
        entry.process.join()
        with self._lock:
            _settle(entry, last)
            self.edition += 1
        entry.link.close()


def _started(number: int, order: Order) -> _Entry:
    """A job that has just begun."""
    context = multiprocessing.get_context(
        "spawn"
    )  # a fork would copy locks that threads of this process hold
    here, there = context.Pipe()
    process = context.Process(target=work_in_process, args=(order, there), daemon=False)
    try:
        process.start()
    except OSError as error:
        here.close()
        raise StageError(
            "job", None, f"the system gives no process for it ({error.strerror})", "close other programs"
        ) from None
    finally:
        there.close()  # else the end of the process would not be seen here
    return _Entry(number, order.title, process, here)


def _taken(entry: _Entry, message: tuple[Any, ...]) -> bool:
    """Whether a message was one of the way, which the entry holds now."""
    match message:
        case ("begin", stage, total):
            entry.stage, entry.pace = stage, Pace(total)
        case ("step", count):
            entry.pace.step(count)
        case ("line", what, text):
            entry.lines.append((what, text))
            entry.said += 1
        case _:
            return False
    return True


def _settle(entry: _Entry, last: tuple[Any, ...]) -> None:
    """What became of a job whose process has ended."""
    entry.took_s = time.monotonic() - entry.begun
    match last:
        case ("done",):
            entry.state = "done"
        case ("stopped",):
            entry.state = "stopped"
        case ("failed", why):
            entry.state, entry.why = "failed", why
        case ("fault", why, trace):
            LOG.error("fault in a job: %s\n%s", why, trace)
            entry.state, entry.why = "failed", why
        case _ if entry.state == "stopping":
            entry.state = "stopped"
        case _:
            entry.state, entry.why = "failed", DIED
