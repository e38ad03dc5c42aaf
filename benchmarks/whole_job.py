"""The whole job, side by side: `fourlight run` and the library script on the same frames, then what both stacks show."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

from agreement import Agreement, compared
from nights import FIRST_LIGHT, made
from processes import Cost, measured

__all__ = ["FOURLIGHT", "measure"]

FOURLIGHT = [sys.executable, "-c", "from fourlight.cli import main; main()"]
LIBRARY = [sys.executable, "-W", "ignore", str(Path(__file__).parent / "library_job.py")]


def fourlight(nights: Path, out: Path, log: Path) -> Cost:
    """Run of all defaults into an empty folder, so that nothing of an earlier run is used."""
    return measured(
        [*FOURLIGHT, "run", nights, "--out", out, "--set", f"registration.reference={FIRST_LIGHT}"], log
    )


def library(nights: Path, out: Path, log: Path, *options: str) -> Cost:
    """The library script, with options of its own."""
    return measured([*LIBRARY, nights, "--out", out, "--reference", FIRST_LIGHT, *options], log)
