"""A run that is told to end: one line, exit code 1, nothing half done, and the next run goes on."""

from __future__ import annotations

import os
import shutil
import signal
from pathlib import Path
from typing import Any

import pytest

from stopped_runs import stopped


# Windows ends a process that is sent SIGTERM without asking it, and Ctrl-C there goes to the whole console.
@pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")
@pytest.mark.parametrize(("number", "stage"), [(signal.SIGTERM, "read"), (signal.SIGINT, "calibrate")])
def test_told_to_end(command: Any, raw: Path, tmp_path: Path, number: int, stage: str) -> None:
    """Stopped as soon as a stage is done, in the next one."""
    out = tmp_path / "out"
    stopped(stage, "run", raw, "--out", out, number=number)
    assert not list(out.rglob("*.part"))
    assert not (out / "stack.fits").exists()
    again = command("run", raw, "--out", out)
    assert again.code == 0, again.err
    assert "ended without a word" not in again.err, "the lock was given back"


# As above: Windows cannot ask a process to end.
@pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")
@pytest.mark.parametrize(
    ("asked", "stage", "drawn"),
    [("channels", "channels", "resolution.svg"), ("claims", "widths", "")],
)
def test_evidence_that_is_stopped_leaves_the_results_as_they_were(
    command: Any, looked_at: Any, tmp_path: Path, asked: str, stage: str, drawn: str
) -> None:
    """Whether figures are being drawn or lights are treated in other ways."""
    out = tmp_path / "out"
    shutil.copytree(looked_at.out, out)
    before = held(out)
    stopped(stage, asked, out, drawn=out / "work" / "new" / "figures" / drawn if drawn else None)
    assert held(out) == before, "neither more files nor others"
    again = command(asked, out)
    assert again.code == 0, again.err
    assert "ended without a word" not in again.err, "the lock was given back"


def held(out: Path) -> dict[str, bytes]:
    """Every file below a folder of results."""
    return {str(path.relative_to(out)): path.read_bytes() for path in out.rglob("*") if path.is_file()}
