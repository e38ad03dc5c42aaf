"""What the evidence of a run takes beside its integration: the same lights, in one run."""

from __future__ import annotations

import importlib
import shutil
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from nights import made

from fourlight.recipe import Recipe

__all__ = ["compare"]

STEPS = {"integration": "integrated", "evidence": "evidence_of"}
"""What is timed, and the function of a run that does it."""


def compare(work: Path, frames: int = 24, megapixels: float = 12.0) -> dict[str, Any]:
    """Wall and processor time in seconds of both, with kernels compiled and nothing kept of an earlier run."""
    night, out = made(work, frames, megapixels, 12), work / "evidence"
    found: dict[str, Any] = {"frames": frames, "megapixels": megapixels}
    module = importlib.import_module("fourlight.pipeline.run")
    whole = {name: getattr(module, function) for name, function in STEPS.items()}
    try:
        for name, function in STEPS.items():
            setattr(module, function, _timed(whole[name], found, name))
        shutil.rmtree(out, ignore_errors=True)
        module.run([night], out, Recipe())
    finally:
        for name, function in STEPS.items():
            setattr(module, function, whole[name])
    return found


def _timed(work: Callable[..., Any], found: dict[str, Any], name: str) -> Callable[..., Any]:
    """The same function, whose times are noted."""

    def timed(*args: Any, **named: Any) -> Any:
        wall, cpu = time.perf_counter(), time.process_time()
        result = work(*args, **named)
        found[name] = {"wall_s": time.perf_counter() - wall, "cpu_s": time.process_time() - cpu}
        return result

    return timed
