"""Where work runs: local threads now, any ``concurrent.futures`` executor by the same call.

The kernels release the interpreter lock, so threads use all cores. Results come back in the order of the
items, whatever the number of threads.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Protocol, TypeVar

__all__ = ["Progress", "Silent", "in_order", "nothing", "thread_count"]

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


def in_order(work: Callable[[Item], Result], items: Iterable[Item], threads: int) -> Iterator[Result]:
    """Results of ``work`` on each item, in order, with at most ``2 * threads`` items under way.

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
