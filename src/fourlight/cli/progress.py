"""Progress in the terminal: a bar with time left while a stage runs, one line when it is done."""

from __future__ import annotations

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TaskID, TextColumn, TimeRemainingColumn

__all__ = ["TerminalProgress"]


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

    def begin(self, stage: str, total: int) -> None:
        """A stage starts."""
        self._stage = stage
        self._bar.start()
        self._task = self._bar.add_task(stage, total=total)

    def step(self, count: int = 1) -> None:
        """Move the bar."""
        if self._task is not None:
            self._bar.advance(self._task, count)

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
