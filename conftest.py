"""What all tests run under, those in the docstrings too."""

from __future__ import annotations

import gc
import os

import hypothesis  # noqa: F401  # before objects are frozen, among which it does not find who holds its generators
import pytest

from fourlight.cli import LIBRARY_THREADS

for name in LIBRARY_THREADS:
    # As the command does, before numpy is there: where tests share the cores, a third of the time went on waiting.
    os.environ.setdefault(name, "1")


@pytest.fixture(scope="module", autouse=True)
def _collected_quickly() -> None:
    """Full collections, of which a run asks for some, leave out what earlier modules made: half a million objects."""
    gc.collect()
    gc.freeze()
