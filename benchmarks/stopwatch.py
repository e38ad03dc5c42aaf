"""Wall and processor time of each stage of a run, as its progress tells of them."""

from __future__ import annotations

import time
from dataclasses import dataclass, field

__all__ = ["Stopwatch"]


@dataclass(slots=True)
class Stopwatch:
    """Progress of a run that keeps what each stage took; the same stage twice is added up."""

    wall_s: dict[str, float] = field(default_factory=dict)
    cpu_s: dict[str, float] = field(default_factory=dict)
    """Of all threads of this process."""
    said: dict[str, str] = field(default_factory=dict)
    _stage: str = ""
    _start: tuple[float, float] = (0.0, 0.0)

    def begin(self, stage: str, total: int) -> None:
        """Start the clocks of a stage."""
        self._stage, self._start = stage, (time.perf_counter(), time.process_time())

    def step(self, count: int = 1) -> None:
        """Steps are not timed."""

    def end(self, summary: str) -> None:
        """Stop the clocks."""
        wall, cpu = self._start
        self.wall_s[self._stage] = self.wall_s.get(self._stage, 0.0) + time.perf_counter() - wall
        self.cpu_s[self._stage] = self.cpu_s.get(self._stage, 0.0) + time.process_time() - cpu
        self.said[self._stage] = summary
