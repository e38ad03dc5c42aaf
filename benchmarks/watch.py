"""Seconds and memory that `fourlight watch` takes for a sub, while subs come one after the other.

Usage: python benchmarks/watch.py [--subs N] [--pace S] [--frames FOLDER] [--write]

Four simulated lights of 26 MP are written again and again into a folder, each time under another name with another time
in its header, one every ``--pace`` seconds; those that were taken are deleted, so that the disk holds a few. Lag is the
time from the end of writing a file to the line that tells of it. Memory is that which no file stands behind (RssAnon,
proc(5)); times of the processor are those of the process, pictures and charts among them.
"""

from __future__ import annotations

import argparse
import os
import re
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from astropy.io import fits
from page_tables import write_table

from fourlight.simulate.render import simulate
from fourlight.simulate.scene import loads

PAGE = Path(__file__).parents[1] / "docs" / "watch.md"
SCENE = """
seed = 21
exposure_s = 10.0
[object]
kind = "nebula"
size = 1500.0
[camera]
width_px = 6248
height_px = 4176
[stars]
count = 6000
[[nights]]
count = 4
dither_px = 12.0
"""
TIME = b"DATE-OBS"
"""Name of the line of a header in which the time of a light is."""
KEPT = 8
"""Files of subs on the disk at a time, besides as many first ones."""
SETTLED = 20
"""Subs from which memory is held against that at the end."""


@dataclass
class Seen:
    """What was measured."""

    written_s: list[float] = field(default_factory=list)
    told_s: list[float] = field(default_factory=list)
    cpu_s: list[float] = field(default_factory=list)
    bytes: list[int] = field(default_factory=list)
    most_bytes: int = 0


def as_if_taken(frame: Path, number: int) -> bytearray:
    """Content of a light with a time of its own, ten seconds after the one before: another exposure, to the program."""
    data = bytearray(frame.read_bytes())
    at = data.index(TIME)
    data[at : at + 80] = card_of_time(number)
    return data


def card_of_time(number: int) -> bytes:
    """Line of a header with the time of a light."""
    moment = time.strftime("%Y-%m-%dT%H:%M:%S", time.gmtime(1.8e9 + 10 * number))
    line: str = fits.Card(TIME.decode(), moment, "UTC start of the exposure").image
    return line.encode().ljust(80)[:80]


def feed(
    frames: list[Path], folder: Path, subs: int, pace: float, seen: Seen, child: subprocess.Popen[str]
) -> None:
    """Write subs, each with a time of its own, and delete those that were taken."""
    begun = time.monotonic()
    for k in range(subs):
        while time.monotonic() < begun + k * pace or k >= len(seen.told_s) + KEPT:
            if child.poll() is not None:
                return
            time.sleep(0.05)
        (folder / f"sub_{k:04d}.fits").write_bytes(as_if_taken(frames[k % len(frames)], k))
        seen.written_s.append(time.monotonic())
        if k >= 2 * KEPT:  # the first ones are looked at together
            (folder / f"sub_{k - KEPT:04d}.fits").unlink(missing_ok=True)


def status(pid: int) -> tuple[float, int]:
    """Seconds of the processor and anonymous bytes of a process."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    held = next(int(line.split()[1]) * 1024 for line in lines if line.startswith("RssAnon"))
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK"), held


def measured(frames: list[Path], work: Path, subs: int, pace: float) -> tuple[Seen, float]:
    """Watch while subs come; what was seen, and seconds of the processor in all."""
    folder, seen = work / "arriving", Seen()
    folder.mkdir()
    words = ["watch", str(folder), "--out", str(work / "out"), "--subs", str(subs)]
    with subprocess.Popen(
        [sys.executable, "-c", "from fourlight.cli import main; main()", *words],
        stderr=subprocess.PIPE,
        text=True,
    ) as child:
        threading.Thread(target=feed, args=(frames, folder, subs, pace, seen, child), daemon=True).start()
        threading.Thread(target=_memory, args=(child, seen), daemon=True).start()
        assert child.stderr is not None
        total = 0.0
        for line in child.stderr:
            print(f"{time.strftime('%H:%M:%S')} {line}", end="", flush=True)
            if re.match(r"sub \d+", line) and child.poll() is None:
                total, held = status(child.pid)
                seen.told_s.append(time.monotonic())
                seen.cpu_s.append(total)
                seen.bytes.append(held)
    if child.returncode:
        raise SystemExit(child.returncode)
    return seen, total


def _memory(child: subprocess.Popen[str], seen: Seen) -> None:
    while child.poll() is None:
        try:
            seen.most_bytes = max(seen.most_bytes, status(child.pid)[1])
        except (OSError, StopIteration, IndexError):
            return
        time.sleep(0.1)


def table(seen: Seen, subs: int, pace: float) -> list[str]:
    """Rows for the page."""
    lag = np.array(seen.told_s) - np.array(seen.written_s[: len(seen.told_s)])
    step = np.diff(seen.cpu_s)[5:]
    first, last = (
        np.array(seen.bytes)[part].mean() / 1e9 for part in (slice(SETTLED, SETTLED + 10), slice(-10, None))
    )
    rate = (seen.cpu_s[-1] - seen.cpu_s[5]) / (len(seen.cpu_s) - 6)
    rows = {
        "subs of 26 MP, one every": f"{subs}, {pace:g} s",
        "seconds of the processor for a sub (median; 95 of 100)": "; ".join(
            f"{value:.1f}" for value in np.quantile(step, [0.5, 0.95])
        ),
        "the same with charts, pictures and states on the disk (mean)": f"{rate:.1f}",
        "from a whole file to its line, s (median; longest after the fifth)": "; ".join(
            f"{value:.1f}" for value in (np.median(lag[5:]), lag[5:].max())
        ),
        f"anonymous memory after {SETTLED} to {SETTLED + 10} subs, GB": f"{first:.2f}",
        "anonymous memory at the end, GB": f"{last:.2f}",
        "most anonymous memory, pictures among it, GB": f"{seen.most_bytes / 1e9:.2f}",
    }
    return ["| | |", "|---|---|", *(f"| {name} | {value} |" for name, value in rows.items())]


def main() -> None:
    """Measure, print, and write the table where asked to."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--subs", type=int, default=500)
    parser.add_argument("--pace", type=float, default=10.0)
    parser.add_argument("--frames", type=Path, help="folder of lights that were simulated before")
    parser.add_argument("--write", action="store_true")
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        frames = chosen.frames
        if frames is None:
            simulate(loads(SCENE), Path(place) / "sim")
            frames = Path(place) / "sim" / "night1"
        seen, _ = measured(sorted(frames.glob("*.fits")), Path(place), chosen.subs, chosen.pace)
    rows = table(seen, chosen.subs, chosen.pace)
    print("\n".join(rows))
    if chosen.write:
        write_table(PAGE, "watch", rows)


if __name__ == "__main__":
    main()
