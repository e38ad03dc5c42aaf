"""Where work runs: threads of this process, or any ``concurrent.futures`` executor, and how much of it at once.

The kernels release the interpreter lock, so threads use all cores.
"""

from __future__ import annotations

import contextlib
import ctypes
import gc
import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Executor, Future, ThreadPoolExecutor, wait
from dataclasses import dataclass
from typing import Protocol, TypeVar

import numpy as np

from fourlight.errors import StageError

__all__ = [
    "PROGRAM_BYTES",
    "Crew",
    "Progress",
    "Silent",
    "as_done",
    "at_once",
    "give_back",
    "held_bytes",
    "in_order",
    "nothing",
    "room_bytes",
    "thread_count",
]

PROGRAM_BYTES = 295_000_000
"""Memory of the program itself: libraries, compiled kernels and what is known of the frames. Where kernels are
compiled, as in the first run after an installation, 200 MB come on top."""

FILLED = 0.92
"""Share of the memory that is filled by reckoning; the rest is what several threads and the C library keep beside what
they are asked for: runs in 500 MB took up to 509 without it. A single piece, without which there is no run, may go
beyond."""

WATCH_S = 5.0
"""Seconds without a result after which it is asked whether anybody is left to work."""

Item = TypeVar("Item")
Result = TypeVar("Result")


class Progress(Protocol):
    """Told how the work goes on; the command line and the page each have their own."""

    def begin(self, stage: str, total: int) -> None:
        """A stage with ``total`` steps starts."""

    def step(self, count: int = 1) -> None:
        """``count`` steps of the current stage are done; may be called by any thread."""

    def end(self, summary: str) -> None:
        """The current stage is done; one line for the user."""


class Silent:
    """Progress that nobody watches."""

    def begin(self, stage: str, total: int) -> None:
        """Do nothing."""

    def step(self, count: int = 1) -> None:
        """Do nothing."""

    def end(self, summary: str) -> None:
        """Do nothing."""


def nothing() -> None:
    """Told of a step that nobody counts."""


def thread_count(setting: int) -> int:
    """Number of threads for a recipe's ``run.threads``; 0 means all cores this process may use."""
    if setting > 0:
        return setting
    if hasattr(os, "sched_getaffinity"):
        return max(1, len(os.sched_getaffinity(0)))
    return max(1, os.cpu_count() or 1)


def held_bytes() -> int:
    """Memory that this process holds now, files that it has mapped not counted; a usual figure where nobody tells."""
    try:
        with open("/proc/self/statm", encoding="ascii") as file:
            _, resident, shared = file.read().split()[:3]
    except (OSError, ValueError):
        return PROGRAM_BYTES
    return (int(resident) - int(shared)) * os.sysconf("SC_PAGE_SIZE")


def give_back(*, rings: bool = False) -> None:
    """Hand freed memory back to the system where the C library keeps it until it is asked (GNU's does).

    With ``rings``, which takes some 0.1 s, also that of objects that refer to each other, as figures and errors do.
    """
    if rings:
        gc.collect()
    with contextlib.suppress(
        OSError, TypeError, AttributeError
    ):  # on Windows there is no library of that name
        ctypes.CDLL(None).malloc_trim(0)


def room_bytes(memory_bytes: float) -> float:
    """What work may take of the memory beside what this process holds now."""
    return max(FILLED * memory_bytes - held_bytes(), 0.0)


def at_once(each_bytes: float, memory_bytes: float, most: int) -> int:
    """How many pieces of work may be under way together, so that all of it stays within the memory; at least one."""
    return int(np.clip(room_bytes(memory_bytes) // each_bytes, 1, most))


@dataclass(frozen=True, slots=True)
class Crew:
    """Who does the work: threads of this process, or whoever an executor stands for."""

    count: int
    """Pieces of work that are done at the same time."""
    executor: Executor | None = None
    """None: threads of this process."""
    watch: Callable[[], None] = nothing
    """Called while nothing is done for a while; raises where nobody is left to do it."""
    room: int | None = None
    """Most pieces under way or done and waiting here; None: twice as many as are done at the same time."""

    @property
    def away(self) -> bool:
        """Whether the work is done elsewhere than in this process."""
        return self.executor is not None


def as_done(work: Callable[[Item], Result], items: Iterable[Item], crew: Crew) -> Iterator[Result]:
    """Results of ``work`` on each item, whichever is done first; no more are under way than the crew has room for.

    ``work``, items and results are pickled where the crew works elsewhere. An error in ``work``, or the consumer
    stopping early, cancels what has not started.
    """
    if crew.executor is None and crew.count == 1:
        yield from map(work, items)
        return
    pool = crew.executor or ThreadPoolExecutor(max_workers=crew.count)
    waiting: set[Future[Result]] = set()
    try:
        for item in items:
            try:
                waiting.add(pool.submit(work, item))
            except BrokenExecutor as error:  # it broke after the last result was taken
                yield from _finished(waiting, crew) if waiting else ()
                raise _ended() from error
            if len(waiting) >= (crew.room or 2 * crew.count):
                yield from _finished(waiting, crew)
        while waiting:
            yield from _finished(waiting, crew)
    finally:
        for future in waiting:
            future.cancel()
        if crew.executor is None:
            pool.shutdown(wait=True)


def _finished(waiting: set[Future[Result]], crew: Crew) -> Iterator[Result]:
    """Results that are there, at least one; they are no longer waited for."""
    done: set[Future[Result]] = set()
    while not done:
        done, _ = wait(waiting, WATCH_S, FIRST_COMPLETED)
        if not done:
            crew.watch()
    waiting -= done
    failed = {future for future in done if future.cancelled() or future.exception()}
    for future in done - failed:  # first what can be kept
        yield future.result()
    for future in failed:
        try:
            future.result()
        except BrokenExecutor as error:
            raise _ended() from error


def _ended() -> StageError:
    return StageError(
        "cluster", None, "a process that was at work ended without a word",
        "it may have lacked memory; run again: what is done is kept",
    )  # fmt: skip


def in_order(work: Callable[[Item], Result], items: Iterable[Item], threads: int) -> Iterator[Result]:
    """Results of ``work`` on each item, in order, by threads with at most ``2 * threads`` items under way.

    An error in ``work``, or the consumer stopping early, cancels what has not started.
    """
    if threads == 1:
        yield from map(work, items)
        return
    waiting: deque[Future[Result]] = deque()
    pool = ThreadPoolExecutor(max_workers=threads)
    try:
        for item in items:
            waiting.append(pool.submit(work, item))
            if len(waiting) >= 2 * threads:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()
    finally:
        for future in waiting:
            future.cancel()
        pool.shutdown(wait=True)
