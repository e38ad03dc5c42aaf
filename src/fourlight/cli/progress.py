"""Progress in the terminal: a bar with time left while a stage runs, one line when it is done.

Where nobody sees a bar, in a file or a pipe, a long stage says from time to time how far it is.
"""

from __future__ import annotations

import threading
import time

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TaskID, TextColumn, TimeRemainingColumn

from fourlight.pipeline.pace import Pace
from fourlight.report.words import duration

__all__ = ["TerminalProgress"]

SAID_AGAIN_S = 20.0
"""Time between lines of one stage where there is no bar."""


class TerminalProgress:
    """Shows `fourlight.engine.Progress` on standard error; plain lines where that is no terminal."""

    def __init__(self) -> None:
        self._console = Console(stderr=True, highlight=False)
        self._bar = Progress(
            TextColumn("{task.description:<20}"),
            BarColumn(),
            MofNCompleteColumn(),
            TimeRemainingColumn(),
            console=self._console,
            transient=True,
            disable=not self._console.is_terminal,
        )
        self._task: TaskID | None = None
        self._stage = ""
        self._lock = threading.Lock()
        self._pace, self._said = Pace(), 0.0

    def begin(self, stage: str, total: int) -> None:
        """A stage starts."""
        self._stage, self._pace, self._said = stage, Pace(total), time.monotonic()
        self.close()
        self._bar.start()
        self._task = self._bar.add_task(stage, total=total)

    def step(self, count: int = 1) -> None:
        """Move the bar."""
        if self._task is not None:
            self._bar.advance(self._task, count)
        if not self._console.is_terminal:
            self._say(count)

    def _say(self, count: int) -> None:
        """How far the stage is, where nothing has been said for a while."""
        pace = self._pace
        pace.step(count)
        with self._lock:  # threads step
            now = time.monotonic()
            if now - self._said < SAID_AGAIN_S or pace.done >= pace.total:
                return
            self._said = now
        left = pace.left_s()
        told = "" if left is None else f", about {duration(round(left))} left"
        self.line(self._stage, f"{pace.done} of {pace.total}{told}")

    def end(self, summary: str) -> None:
        """Replace the bar by one line."""
        self.close()
        self.line(self._stage, summary)

    def line(self, what: str, text: str) -> None:
        """One line under a heading of its own; names that are no text are shown by their codes."""
        whole = f"{what:<20} {text}".encode("utf-8", "backslashreplace").decode()
        self._console.print(whole, markup=False, soft_wrap=True)

    def close(self) -> None:
        """Take the bar away, finished or not."""
        if self._task is not None:
            self._bar.remove_task(self._task)
            self._task = None
        self._bar.stop()
