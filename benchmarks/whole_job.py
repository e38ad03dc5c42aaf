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

__all__ = ["FOURLIGHT", "Job"]

FOURLIGHT = [sys.executable, "-c", "from fourlight.cli import main; main()"]
LIKE_SCRIPT = ("evidence.channels=false", "evidence.claims=false", "sky.solve=off")
"""Left out of the whole job, as the script does nothing of the kind; what evidence costs is measured by itself."""
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


class Job:
    """Costs of each side, and how far the stacks agree; Fourlight's own way, and with drops as the script has."""

    def __init__(self, work: Path, frames: int, megapixels: float, calibration: int = 12) -> None:
        self._work = work
        self.size = {"frames": frames, "megapixels": megapixels, "calibration": calibration}

    def _night(self) -> Path:
        return made(self._work, **self.size)

    def fourlight(self) -> dict[str, Any]:
        """Cost of a run to a stack and a picture."""
        return asdict(fourlight(self._night(), self._work / "fourlight", *LIKE_SCRIPT))

    def drops(self) -> dict[str, Any]:
        """Cost of a run with drops."""
        return asdict(
            fourlight(self._night(), self._work / "drops", "integrate.method=drizzle", *LIKE_SCRIPT)
        )

    def script(self) -> dict[str, Any]:
        """Cost of the library script."""
        return asdict(library(self._night(), self._work / "script"))

    def agreement(self) -> dict[str, Any]:
        """How far both of our stacks are from the script's, and of what frames they are."""
        found = {side: compared(self._work / side, self._work / "script") for side in ("fourlight", "drops")}
        return self.size | {
            side: {name: asdict(a) for name, a in planes.items()} for side, planes in found.items()
        }
