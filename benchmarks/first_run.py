"""What compiling costs the first run: a small job with no compiled kernels kept, then the same with all of them."""

from __future__ import annotations

import shutil
from pathlib import Path

from nights import made
from processes import Cost, measured
from whole_job import FOURLIGHT

__all__ = ["compare"]


def compare(work: Path) -> dict[str, Cost]:
    """Costs of the first run and of the one after it; both methods of integration are compiled."""
    night, kept = made(work, 12, 0.12, 4), work / "kernels"
    shutil.rmtree(kept, ignore_errors=True)
    out = {}
    for name in ("first", "second"):
        results = work / f"run-{name}"
        shutil.rmtree(results, ignore_errors=True)
        out[name] = measured(
            [*FOURLIGHT, "run", night, "--out", results], work / f"run-{name}.log", {"NUMBA_CACHE_DIR": str(kept)}
        )  # fmt: skip
    return out
