"""Progress in the terminal: a bar with time left while a stage runs, one line when it is done.

Where nobody sees a bar, in a file or a pipe, a long stage says from time to time how far it is.
"""

from __future__ import annotations

import threading
import time

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TaskID, TextColumn, TimeRemainingColumn

from fourlight.report.words import duration

__all__ = ["TerminalProgress"]

SAID_AGAIN_S = 20.0
"""Time between lines of one stage where there is no bar."""
ENOUGH = 3
"""Steps from which on their mean tells how long the others take: the first one often prepares something."""


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
        self._total = self._done = 0
        self._begun = self._said = 0.0

    def begin(self, stage: str, total: int) -> None:
        """A stage starts."""
        self._stage, self._total, self._done = stage, total, 0
        self._begun = self._said = time.monotonic()
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
        with self._lock:  # threads step
            self._done += count
            now = time.monotonic()
            if now - self._said < SAID_AGAIN_S or self._done >= self._total:
                return
            self._said = now
        left = (now - self._begun) / self._done * (self._total - self._done)
        told = f", about {duration(round(left))} left" if self._done >= min(ENOUGH, self._total - 1) else ""
        self.line(self._stage, f"{self._done} of {self._total}{told}")

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
