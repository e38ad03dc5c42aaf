"""Processor time of two ways to do one thing, taken in turns so that both meet the same machine."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

__all__ = ["in_turns"]


def in_turns(ways: dict[str, Callable[[], Any]], rounds: int = 3) -> tuple[dict[str, float], dict[str, Any]]:
    """Least processor time (seconds, all threads of this process) of each way, and what it returned last.

    Each way is called once before, so that compiling and first reading are not counted.
    """
    results = {name: way() for name, way in ways.items()}
    least = dict.fromkeys(ways, float("inf"))
    for _ in range(rounds):
        for name, way in ways.items():
            start = time.process_time()
            results[name] = way()
            least[name] = min(least[name], time.process_time() - start)
    return least, results
