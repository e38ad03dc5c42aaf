"""How far a stage is, and how long the rest of it takes."""

from __future__ import annotations

import threading
import time

__all__ = ["Pace"]

ENOUGH = 3
"""Steps from which on their mean tells how long the others take: the first one often prepares something."""


class Pace:
    """Counts the steps of one stage; safe for several threads.

    Parameters
    ----------
    total : int
        Steps of the stage.
    """

    def __init__(self, total: int = 0) -> None:
        self.total, self.done = total, 0
        self._begun = time.monotonic()
        self._lock = threading.Lock()

    def step(self, count: int = 1) -> None:
        """So many steps are done."""
        with self._lock:
            self.done += count

    def left_s(self) -> float | None:
        """Seconds that the other steps take if they go on as those before; None where too few are done to tell."""
        done, total = self.done, self.total
        if not min(ENOUGH, total - 1) <= done < total or done < 1:
            return None
        return (time.monotonic() - self._begun) / done * (total - done)
