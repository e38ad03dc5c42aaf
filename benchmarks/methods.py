"""Least squares against drops: the integration step alone, of the same lights."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

from nights import made
from stopwatch import Stopwatch

from fourlight.pipeline.run import run
from fourlight.recipe import Recipe, with_settings

__all__ = ["compare"]


def compare(work: Path, frames: int = 100, megapixels: float = 1.5) -> dict[str, Any]:
    """Wall and processor time in seconds of the step, per method; what was measured of the lights is used again."""
    night, out = made(work, frames, megapixels, 0), work / "methods"
    shutil.rmtree(out, ignore_errors=True)
    found: dict[str, Any] = {"frames": frames, "megapixels": megapixels}
    for method in ("drizzle", "least-squares"):
        watch = Stopwatch()
        run([night], out, with_settings(Recipe(), [f"integrate.method={method}"]), watch)
        found[method] = {"wall_s": watch.wall_s["integrate"], "cpu_s": watch.cpu_s["integrate"]}
    return found
