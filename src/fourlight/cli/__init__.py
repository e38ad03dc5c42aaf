"""The command line: one thin module per command."""

from __future__ import annotations

import os
import signal
import sys
from types import FrameType

__all__ = ["main"]


LIBRARY_THREADS = ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")
"""How many threads numpy's linear algebra takes, by the library behind it."""


def main() -> None:
    """Entry point: run a command; one clear line and exit code 1 or 2 when it cannot be done."""
    for name in LIBRARY_THREADS:
        # Our own threads share the work; those of the library would spend their time on waiting for each other.
        os.environ.setdefault(name, "1")
    signal.signal(signal.SIGTERM, _stop)
    try:
        from fourlight.cli.app import build
    except KeyboardInterrupt:
        sys.exit(1)
    sys.exit(build(sys.argv[1:]))


def _stop(_number: int, _frame: FrameType | None) -> None:
    """A request to end, as a system sends when it shuts down, is what Ctrl-C is."""
    raise KeyboardInterrupt
