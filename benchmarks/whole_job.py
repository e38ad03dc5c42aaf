"""The whole job, side by side: `fourlight run` and the library script on the same frames, then their stacks."""

from __future__ import annotations

import shutil
import sys
from dataclasses import asdict
from pathlib import Path
from typing import Any

from agreement import compared
from nights import FIRST_LIGHT, made
from processes import Cost, measured

__all__ = ["FOURLIGHT", "compare"]

FOURLIGHT = [sys.executable, "-c", "from fourlight.cli import main; main()"]
LIBRARY = [sys.executable, "-W", "ignore", str(Path(__file__).parent / "library_job.py")]


def fourlight(nights: Path, out: Path, *settings: str) -> Cost:
    """Run into an empty folder, so that nothing of an earlier run is used."""
    chosen = [f"registration.reference={FIRST_LIGHT}", *settings]
    options = [part for setting in chosen for part in ("--set", setting)]
    shutil.rmtree(out, ignore_errors=True)
    return measured([*FOURLIGHT, "run", nights, "--out", out, *options], out.with_suffix(".log"))


def library(nights: Path, out: Path, *options: str) -> Cost:
    """The library script, with options of its own."""
    shutil.rmtree(out, ignore_errors=True)
    return measured(
        [*LIBRARY, nights, "--out", out, "--reference", FIRST_LIGHT, *options], out.with_suffix(".log")
    )


def compare(work: Path, frames: int, megapixels: float, calibration: int = 12) -> dict[str, Any]:
    """Costs of both sides, and how far their stacks agree; Fourlight as it comes, and with drops as the script has."""
    night = made(work, frames, megapixels, calibration)
    sides = {
        "fourlight": lambda: fourlight(night, work / "fourlight"),
        "fourlight, drops": lambda: fourlight(night, work / "drops", "integrate.method=drizzle"),
        "library": lambda: library(night, work / "library"),
    }
    out: dict[str, Any] = {"frames": frames, "megapixels": megapixels, "calibration": calibration}
    for name, side in sides.items():
        out[name] = asdict(side())
        print(f"  {name}: {out[name]}", flush=True)
    for name, folder in (("fourlight", "fourlight"), ("fourlight, drops", "drops")):
        out[f"agreement, {name}"] = {
            plane: asdict(found) for plane, found in compared(work / folder, work / "library").items()
        }
    return out
