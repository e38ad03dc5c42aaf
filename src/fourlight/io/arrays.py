"""Arrays that lie in files, opened by one thread at a time."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

__all__ = ["READING", "mapped_array"]

READING = threading.RLock()
"""Held while the header of an array is parsed: Python 3.11 parses literals wrongly, by chance, where threads do so at
once (``SystemError: AST constructor recursion depth mismatch``)."""


def mapped_array(path: Path, mode: Literal["r", "r+", "c"]) -> npt.NDArray[Any]:
    """An array of a file as `numpy.load` maps it."""
    with READING:
        return np.asarray(np.load(path, mmap_mode=mode))
