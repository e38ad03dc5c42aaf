"""What takes long to make, made by the first of the tests' processes that needs it and read by all of them."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest
from filelock import FileLock


def made_once(factory: pytest.TempPathFactory, name: str, make: Callable[[Path], object]) -> Path:
    """A folder that ``make`` has filled once; nobody may change it, since other processes read it too."""
    if "PYTEST_XDIST_WORKER" not in os.environ:
        return filled(factory, name, make)
    told = factory.getbasetemp().parent / f"{name}.txt"
    with FileLock(f"{told}.lock"):
        if not told.exists():
            told.write_text(str(filled(factory, name, make)), encoding="utf-8")
    return Path(told.read_text(encoding="utf-8"))


def filled(factory: pytest.TempPathFactory, name: str, make: Callable[[Path], object]) -> Path:
    folder = factory.mktemp(name)
    make(folder)
    return folder
