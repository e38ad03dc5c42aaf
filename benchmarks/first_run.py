"""What compiling costs the first run: a small job with no compiled kernels kept, then the same with all of them."""

from __future__ import annotations

import shutil
from pathlib import Path

from nights import made
from processes import Cost, measured
from whole_job import FOURLIGHT

__all__ = ["compare", "warmed"]


def compare(work: Path) -> dict[str, Cost]:
    """Costs of the first run and of the one after it, with a cache of their own."""
    kept = work / "kernels"
    shutil.rmtree(kept, ignore_errors=True)
    return {name: _small(work, name, {"NUMBA_CACHE_DIR": str(kept)}) for name in ("first", "second")}


def warmed(work: Path) -> None:
    """See to it that all kernels are compiled where the program keeps them, so that nothing else waits for that."""
    _small(work, "warm", {})


def _small(work: Path, name: str, environment: dict[str, str]) -> Cost:
    """A run of twelve small lights with calibration frames; both ways to integrate are used."""
    night, out = made(work, 12, 0.12, 4), work / f"run-{name}"
    shutil.rmtree(out, ignore_errors=True)
    return measured([*FOURLIGHT, "run", night, "--out", out], out.with_suffix(".log"), environment)
