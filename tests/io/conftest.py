"""What tests of reading share."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from dng_files import write_dng


@pytest.fixture
def dng() -> Callable[..., Path]:
    """Writer of DNG files."""
    return write_dng
