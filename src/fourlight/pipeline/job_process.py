"""The process in which a job of the page works: it tells how it goes on, and stops when it is asked to.

One connection leads both ways. What comes over it, or its end, asks the job to stop: with the page's own process gone
nobody would ever ask again. Nothing heavy is imported here before a job asks for it, so that a stop finds its way from
the first moment on.
"""

from __future__ import annotations

import signal
import sys
import threading
import time
import traceback
from contextlib import suppress
from multiprocessing.connection import Connection
from types import FrameType
from typing import Any, Protocol

from fourlight.errors import FourlightError, caused_by, reason

__all__ = ["Order", "Telling", "work_in_process"]

TOLD_AGAIN_S = 0.1
"""Time between steps that are told: there may be thousands."""


class Telling(Protocol):
    """Progress (`fourlight.engine.Progress`) that takes lines of other headings too."""

    def begin(self, stage: str, total: int) -> None:
        """A stage with ``total`` steps starts."""

    def step(self, count: int = 1) -> None:
        """``count`` steps of the current stage are done; may be called by any thread."""

    def end(self, summary: str) -> None:
        """The current stage is done; one line for the user."""

    def line(self, what: str, text: str) -> None:
        """One line under a heading of its own."""


class Order(Protocol):
    """A job as it is ordered; it can be pickled."""

    @property
    def title(self) -> str:
        """What it is, for people."""

    def work(self, telling: Telling) -> None:
        """Do it."""


class _Told:
    """`Telling` over a connection. Where nobody listens any more, nothing is said."""

    def __init__(self, link: Connection) -> None:
        self._link, self._lock = link, threading.Lock()
        self._stage, self._steps, self._said = "", 0, 0.0

    def begin(self, stage: str, total: int) -> None:
        with self._lock:
            self._stage, self._steps, self._said = stage, 0, time.monotonic()
            self.send("begin", stage, total)

    def step(self, count: int = 1) -> None:
        with self._lock:
            self._steps += count
            now = time.monotonic()
            if now - self._said >= TOLD_AGAIN_S:
                self.send("step", self._steps)
                self._steps, self._said = 0, now

    def end(self, summary: str) -> None:
        self.line(self._stage, summary)

    def line(self, what: str, text: str) -> None:
        with self._lock:
            self.send("line", what, text)

    def send(self, *message: Any) -> None:
        with suppress(OSError):
            self._link.send(message)


def work_in_process(order: Order, link: Connection) -> None:
    """Do what was ordered and tell how it went; the last message is ``done``, ``stopped``, ``failed`` or ``fault``."""
    signal.signal(
        signal.SIGINT, signal.SIG_IGN
    )  # Ctrl-C reaches all of a terminal; the page's process passes it on
    signal.signal(signal.SIGTERM, _stop)
    threading.Thread(target=_listen, args=(link,), daemon=True).start()
    told = _Told(link)
    try:
        order.work(told)
        last: tuple[str, ...] = ("done",)
    except BaseException as error:
        last = _why(error)
    signal.signal(signal.SIGTERM, signal.SIG_IGN)  # too late to stop
    told.send(*last)
    link.close()


def _why(error: BaseException) -> tuple[str, ...]:
    """How a job ended that did not come to its end."""
    if caused_by(error, KeyboardInterrupt):
        return ("stopped",)
    if isinstance(error, FourlightError | MemoryError):
        return ("failed", reason(error))
    return ("fault", reason(error), "".join(traceback.format_exception(error)))


def _listen(link: Connection) -> None:
    """Wait for what asks this process to stop, then do as if the system had asked."""
    with suppress(EOFError, OSError):
        link.recv()
    main = threading.main_thread().ident
    if sys.platform == "win32":
        import _thread

        _thread.interrupt_main(signal.SIGTERM)
    elif main is not None:
        signal.pthread_kill(main, signal.SIGTERM)  # wakes it where it waits for threads


def _stop(_number: int, _frame: FrameType | None) -> None:
    """Once: another one would hit what puts things in order."""
    signal.signal(signal.SIGTERM, signal.SIG_IGN)
    raise KeyboardInterrupt
