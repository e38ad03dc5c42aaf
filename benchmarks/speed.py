"""Measure speed and memory side by side with general libraries, and write the tables in docs/speed.md.

Usage: python benchmarks/speed.py [--write] [--small] [--frames N] [--megapixels M] [--only PART ...] [--work DIR]

Every figure is a ratio of two things done in one run on the same machine. The whole job at full size takes about an
hour, most of it the library script's and that of simulating the frames; --small is for trying things out. Each part's
result is kept in the work folder as soon as it is there: a run that was stopped goes on with the parts that are
missing, as long as no code changed. Progress is printed.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import tempfile
import time
from collections.abc import Callable
from dataclasses import asdict
from importlib import metadata
from pathlib import Path
from typing import Any

import clipping
import detection
import evidence_cost
import first_run
import kernels
import memory
import methods
import whole_job
from accuracy import written
from speed_tables import PART_HEADS, job_table, part_rows

import fourlight

HERE = Path(__file__).parent
PAGE = HERE.parent / "docs" / "speed.md"
JOB = ("fourlight", "drops of a run", "script", "agreement")
"""Parts that the table of the whole job is made of."""
LIBRARIES = ("numpy", "numba", "astropy", "ccdproc", "sep", "astroalign", "scikit-image", "drizzle")


def parts(work: Path, given: argparse.Namespace) -> dict[str, Callable[[], Any]]:
    """What is measured, by name; what takes longest comes last."""
    small = given.small
    frames, megapixels = given.frames or (8 if small else 24), given.megapixels or (1.5 if small else 12.0)
    job = whole_job.Job(work, frames, megapixels)
    few, size = (12, 0.5) if small else (24, 3.0)
    image = (500, 752) if small else (1000, 1500)
    return {
        "first": lambda: {name: asdict(cost) for name, cost in first_run.compare(work).items()},
        "drops": lambda: kernels.drops(8, image),
        "rejection": lambda: kernels.rejection(24, image) | clipping.alone(),
        "stars": lambda: detection.compare(work, 1.5 if small else 12.0),
        "methods": lambda: methods.compare(work, 24 if small else 100, 0.5 if small else 1.5),
        "memory": lambda: {
            name: asdict(cost) for name, cost in memory.compare(work, few, 4 * few, size).items()
        },
        "evidence": lambda: evidence_cost.compare(work, frames, megapixels),
        "fourlight": job.fourlight,
        "drops of a run": job.drops,
        "script": job.script,
        "agreement": job.agreement,
    }


def _code() -> str:
    """Hash of all code that the figures depend on; how they are shown is none of it."""
    files = sorted([*Path(fourlight.__file__).parent.rglob("*.py"), *HERE.glob("*.py")])
    files = [file for file in files if file.name not in ("speed.py", "speed_tables.py")]
    return hashlib.sha256(b"".join(file.read_bytes() for file in files)).hexdigest()


class Kept:
    """Results of the parts so far, in a file of the work folder."""

    def __init__(self, work: Path, options: dict[str, Any]) -> None:
        self._file = work / "results.json"
        self._key = f"{_code()} {json.dumps(options, sort_keys=True)}"
        old = json.loads(self._file.read_text()) if self._file.exists() else {}
        self.results: dict[str, Any] = old["results"] if old.get("key") == self._key else {}

    def add(self, name: str, result: Any) -> None:
        """Keep the result of a part."""
        self.results[name] = result
        self._file.write_text(json.dumps({"key": self._key, "results": self.results}, indent=1))


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("--frames", type=int, help="lights of the whole job; 24, or 8 with --small")
    arguments.add_argument("--megapixels", type=float, help="size of its frames; 12, or 1.5 with --small")
    arguments.add_argument("--small", action="store_true", help="all parts small")
    arguments.add_argument("--only", nargs="*", default=[], help="names of parts")
    arguments.add_argument("--work", type=Path, default=Path(tempfile.gettempdir()) / "fourlight-speed")
    arguments.add_argument("--write", action="store_true", help="put the tables into docs/speed.md")
    given = arguments.parse_args()
    given.work.mkdir(parents=True, exist_ok=True)
    options = {key: getattr(given, key) for key in ("frames", "megapixels", "small")}
    kept = Kept(given.work, options)
    first_run.warmed(given.work)
    for name, part in parts(given.work, given).items():
        if name in kept.results or (given.only and name not in given.only):
            continue
        print(f"{time.strftime('%H:%M')} {name} ...", flush=True)
        kept.add(name, part())
        print(f"  {json.dumps(kept.results[name])}", flush=True)
    tables = {"parts": "\n".join([*PART_HEADS, *part_rows(kept.results)])}
    if all(name in kept.results for name in JOB):
        tables["job"] = job_table(*(kept.results[name] for name in JOB))
    versions = ", ".join(f"{name} {metadata.version(name)}" for name in LIBRARIES)
    tables["machine"] = (
        f"{os.cpu_count()} cores; load of the machine at the end {os.getloadavg()[0]:.1f}; {versions}."
    )
    for name, lines in tables.items():
        print(lines, flush=True)
        if given.write:
            written(name, lines, PAGE)


if __name__ == "__main__":
    main()
