"""What goes wrong in the middle of a run: one function for each fault, which says what the run said.

Each gets an OUT of its own, does harm, mends what a user would mend, and leaves the second run to the caller.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

__all__ = ["CASES", "Bench", "Case", "killed"]

MAIN = "from fourlight.cli import main; main()"
JUMPING = (
    "import time; real, begun = time.time, time.time();"
    "time.time = lambda: real() + (0 if real() - begun < {after} else {jump});"
)
LITTLE = (
    "import resource, threading, time\n"
    "def less():\n"
    "    time.sleep({after})\n"
    "    here = int(open('/proc/self/statm').read().split()[0]) * 4096\n"
    "    resource.setrlimit(resource.RLIMIT_AS, (here + {spare}, here + {spare}))\n"
    "threading.Thread(target=less, daemon=True).start()\n"
)
AS_A_USER = ["setpriv", "--bounding-set", "-dac_override,-dac_read_search"]
"""Words that start a program to whom rights of files apply: they do not to root."""


@dataclass(frozen=True)
class Bench:
    """A folder of raw frames that runs are made of, and how long an undisturbed one takes."""

    raw: Path
    work: Path
    settings: Sequence[str]
    seconds: float

    def command(self, out: Path, before: str = "") -> list[str]:
        """Words that start a run in a process of its own, after some statements."""
        return [
            sys.executable,
            "-c",
            before + MAIN,
            "run",
            str(self.raw),
            "--out",
            str(out),
            *self.settings,
        ]

    def started(self, out: Path, before: str = "") -> subprocess.Popen[str]:
        """A run on its way."""
        return subprocess.Popen(self.command(out, before), stderr=subprocess.PIPE, text=True)


@dataclass(frozen=True)
class Case:
    """One row of the table."""

    name: str
    harm: Callable[[Bench, Path, float], str]
    """Of a bench, an OUT, and a part of the run from 0 to 1: what the run said."""
    times: int = 3
    """At how many moments it is done, spread over the run."""


def killed(bench: Bench, out: Path, part: float, number: int = signal.SIGKILL) -> str:
    """End a run at a moment, without asking it where the signal is SIGKILL."""
    with bench.started(out) as process:
        try:
            process.wait(part * bench.seconds)
        except subprocess.TimeoutExpired:
            process.send_signal(number)
        return _said(process)


def _said(process: subprocess.Popen[str]) -> str:
    assert process.stderr is not None
    lines = process.stderr.read().splitlines()
    process.wait()
    assert not any("Traceback" in line for line in lines), "\n".join(lines)
    last = lines[-1] if lines else ""
    return last if last.startswith("fourlight:") else ("" if process.returncode else "done")


def _asked_to_end(bench: Bench, out: Path, part: float) -> str:
    return killed(bench, out, part, signal.SIGTERM)


def _killed_again_and_again(bench: Bench, out: Path, part: float) -> str:
    return "; ".join({killed(bench, out, part * share) for share in (0.5, 0.7, 0.9, 1.0)})


def _full_disk(bench: Bench, out: Path, part: float) -> str:
    """The program's own reckoning of room is turned off: others may fill the disk at any time."""
    with _Disk(out, f"size={int(200e3 + part * 12e6)}"):
        quiet = "from fourlight.pipeline import space; space.needed_bytes = lambda *_: 0;"
        with bench.started(out / "out", quiet) as process:
            said = _said(process)
        subprocess.run(["mount", "-o", "remount,size=1g", out], check=True)
        _moved(out / "out", bench.work / "kept")
    _moved(bench.work / "kept", out)
    return said


def _read_only_disk(bench: Bench, out: Path, part: float) -> str:
    """From a moment on, as of a disk with errors."""
    with _Disk(out, "size=1g"):
        process = bench.started(out / "out")
        time.sleep(part * bench.seconds)
        # Files that are open for writing keep a disk from being made read-only: it is tried until they are closed.
        while (
            process.poll() is None
            and subprocess.run(
                ["mount", "-o", "remount,ro", out], check=False, capture_output=True
            ).returncode
        ):
            time.sleep(0.005)
        with process:
            said = _said(process)
        subprocess.run(["mount", "-o", "remount,rw", out], check=True)
        _moved(out / "out", bench.work / "kept")
    _moved(bench.work / "kept", out)
    return said


class _Disk:
    """A small disk in memory at a place."""

    def __init__(self, place: Path, options: str) -> None:
        self.place = place
        place.mkdir(parents=True)
        subprocess.run(["mount", "-t", "tmpfs", "-o", options, "tmpfs", place], check=True)

    def __enter__(self) -> None:
        return None

    def __exit__(self, *_: object) -> None:
        subprocess.run(["umount", self.place], check=True)
        self.place.rmdir()


def _moved(source: Path, goal: Path) -> None:
    """Copied with dates and all: a disk in memory is left again."""
    if source.exists():
        shutil.copytree(source, goal, symlinks=True)


def _rights_lost(bench: Bench, out: Path, part: float) -> str:
    """Nobody may write in OUT and all folders below it any more."""
    out.mkdir()
    words = [*AS_A_USER, *bench.command(out)]
    process = subprocess.Popen(words, stderr=subprocess.PIPE, text=True)
    time.sleep(part * bench.seconds)
    folders = [out, *(path for path in out.rglob("*") if path.is_dir())]
    for folder in folders:
        folder.chmod(0o555)
    with process:
        said = _said(process)
    for path in [out, *out.rglob("*")]:
        if not path.is_symlink():
            path.chmod(0o755 if path.is_dir() else 0o644)
    return said


def _light_changed(bench: Bench, out: Path, part: float) -> str:
    """A light is written over in the middle, and put back for the second run."""
    return _with_other_light(bench, out, part, lambda light: _scrambled(light, 4096))


def _light_removed(bench: Bench, out: Path, part: float) -> str:
    return _with_other_light(bench, out, part, Path.unlink)


def _with_other_light(bench: Bench, out: Path, part: float, harm: Callable[[Path], object]) -> str:
    light = sorted((bench.raw / "night1").iterdir())[2]
    kept = shutil.copy2(light, bench.work / light.name)
    process = bench.started(out)
    time.sleep(part * bench.seconds)
    harm(light)
    with process:
        said = _said(process)
    shutil.copy2(kept, light)
    return said


def _scrambled(path: Path, start: int) -> None:
    data = bytearray(path.read_bytes())
    data[start:] = bytes(np.random.default_rng(1).integers(0, 256, len(data) - start, np.uint8))
    path.write_bytes(data)


def _little_memory(bench: Bench, out: Path, part: float) -> str:
    before = LITTLE.format(after=part * bench.seconds, spare=int(4e6))
    with bench.started(out, before) as process:
        return _said(process)


def _clock(jump: str) -> Callable[[Bench, Path, float], str]:
    def jumped(bench: Bench, out: Path, part: float) -> str:
        with bench.started(out, JUMPING.format(after=part * bench.seconds, jump=jump)) as process:
            return _said(process)

    return jumped


def _second_run(bench: Bench, out: Path, part: float) -> str:
    """Another run is sent to the same OUT while one works there; the first goes on."""
    first = bench.started(out)
    time.sleep(part * bench.seconds)
    with bench.started(out) as second:
        said = _said(second)
    with first:
        assert _said(first) == "done"
    return said


def _kept_file_cut(bench: Bench, out: Path, part: float) -> str:
    """After a run that was killed, each file it kept loses its second half, as where power was lost."""
    killed(bench, out, part)
    for path in _kept(out):
        os.truncate(path, path.stat().st_size // 2)
    return "-"


def _kept_file_spoilt(bench: Bench, out: Path, part: float) -> str:
    """After a run that was killed, each file it kept has a changed byte in its middle."""
    killed(bench, out, part)
    for path in _kept(out):
        data = bytearray(path.read_bytes())
        data[len(data) // 2] ^= 0x5A
        path.write_bytes(data)
    return "-"


def _kept(out: Path) -> list[Path]:
    return [p for p in (out / "work").rglob("*") if p.is_file() and p.stat().st_size]


CASES = [
    Case("killed (SIGKILL) at a moment", killed, 50),
    Case("killed four times, later each time", _killed_again_and_again),
    Case("asked to end (SIGTERM, as Ctrl-C)", _asked_to_end, 4),
    Case("disk of OUT full", _full_disk, 4),
    Case("disk of OUT read-only from a moment on", _read_only_disk, 3),
    Case("rights to write in OUT lost", _rights_lost, 3),
    Case("a light written over with noise", _light_changed, 4),
    Case("a light removed", _light_removed, 4),
    Case("memory at its end", _little_memory, 4),
    Case("clock jumps a year ahead", _clock("3.2e7"), 2),
    Case("clock jumps ten years back", _clock("-3.2e8"), 2),
    Case("a second run into the same OUT", _second_run, 2),
    Case("killed, then kept files cut to half", _kept_file_cut, 4),
    Case("killed, then a byte of kept files changed", _kept_file_spoilt, 4),
]
