"""Memory and processor time of runs of 20, 100 and 1,000 lights of 26 MP, the last one stopped halfway, then gone on.

Usage: python benchmarks/many_lights.py [--lights N N N] [--frames FOLDER] [--work FOLDER] [--write]

Eight simulated lights stand for all: each is copied again and again, 52 MB a copy, with another time in its header.
Where the file system can (XFS, Btrfs), copies share what they have in common, and no light but the first eight takes
room.
The time of a light is what a longer run takes more than a shorter one over the lights it has more, so that what is done
once (start, picture, report) does not count. The last run is stopped (SIGINT, as Ctrl-C does) when half of its lights
are measured and again when half of its stack is made, and started anew with the same command each time. Memory is that
which no file stands behind (`processes.py`). Four hours on two cores: with ``--work`` the same command goes on where it
was interrupted, with what was measured up to then; an interruption counts as a stop.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import tempfile
from collections.abc import Callable
from contextlib import nullcontext
from dataclasses import asdict
from pathlib import Path

from page_tables import write_table
from processes import Cost, measured
from watch import SCENE, TIME, card_of_time
from whole_job import FOURLIGHT

from fourlight.simulate.render import simulate
from fourlight.simulate.scene import loads

PAGE = Path(__file__).parents[1] / "docs" / "speed.md"
MEGAPIXELS = 26
HEADER = 28_800
"""Bytes from the start of a file in which its time is looked for: ten blocks of a header."""
STOPPED = ("measure", "integrate")
"""Stages in whose middle the last run is stopped."""
MOST_MEMORY, MOST_TIME = 1.10, 1.05
"""Of the longest run over the one before it, as wanted."""


def written_again(frames: list[Path], folder: Path, count: int) -> Path:
    """A folder in which some frames stand for many; what is there already is kept."""
    folder.mkdir(exist_ok=True)
    for k in range(len(list(folder.iterdir())), count):
        _copy_as_if_taken(frames[k % len(frames)], folder / f"light_{k:04d}.fits", k)
    return folder


def _copy_as_if_taken(frame: Path, copy: Path, number: int) -> None:
    """Copy a light, sharing its blocks where the file system can, and give the copy a time of its own."""
    with frame.open("rb") as source, copy.open("w+b") as target:
        left = frame.stat().st_size
        while left:
            left -= os.copy_file_range(source.fileno(), target.fileno(), left)
        target.seek(0)
        at = target.read(HEADER).index(TIME)
        target.seek(at)
        target.write(card_of_time(number))


def halfway(log: Path, stage: str) -> Callable[[], bool]:
    """Whether what a run has told says that half of a stage is done."""

    def reached() -> bool:
        told = re.findall(rf"^{stage}\s+(\d+) of (\d+)", log.read_text(errors="replace"), re.MULTILINE)
        return bool(told) and 2 * int(told[-1][0]) >= int(told[-1][1])

    return reached


def run(work: Path, frames: list[Path], count: int, stopped: tuple[str, ...] = ()) -> list[Cost]:
    """Costs of a run, and before it of those that were stopped in the middle of some stages."""
    night, out = written_again(frames, work / "lights", count), work / f"out-{count}"
    command: list[str | Path] = [*FOURLIGHT, "run", night, "--out", out]
    kept = work / f"costs-{count}.json"
    costs = [Cost(**told) for told in json.loads(kept.read_text())] if kept.exists() else []

    def keep(now: Cost) -> None:
        whole = json.dumps([asdict(cost) for cost in [*costs, now]])
        kept.with_suffix(".part").write_text(whole)
        kept.with_suffix(".part").replace(kept)

    while not (out / "summary.json").exists():
        stage = next(iter(stopped[len(costs) :]), None)
        log = work / f"log-{count}-{len(costs)}.txt"
        last = measured(command, log, stop=halfway(log, stage) if stage else None, told=keep)
        keep(last)
        costs.append(last)
    used = len(json.loads((out / "summary.json").read_text())["frames"])
    print(f"{count} lights, {used} used: " + "; ".join(
        f"{cost.wall_s:.0f} s, {cost.cpu_s:.0f} s of the processor, {cost.peak_bytes / 1e9:.2f} GB" for cost in costs
    ), flush=True)  # fmt: skip
    return costs


def table(counts: list[int], costs: list[list[Cost]]) -> list[str]:
    """Rows for the page."""
    cpu = [sum(cost.cpu_s for cost in each) for each in costs]
    peak = [max(cost.peak_bytes for cost in each) for each in costs]
    each_s = [(cpu[k + 1] - cpu[k]) / (counts[k + 1] - counts[k]) for k in (0, 1)]
    few, some, many = (f"{count:,}" for count in counts)
    memory, time = peak[2] / peak[1], each_s[1] / each_s[0]
    most_memory, most_time = (f"{100 * (most - 1):.0f} % at most" for most in (MOST_MEMORY, MOST_TIME))
    rows = [
        [f"lights of {MEGAPIXELS} MP", few, some, f"{many}, stopped twice", "wanted", "reached"],
        ["---"] * 6,
        ["most anonymous memory, GB", *(f"{one / 1e9:.2f}" for one in peak),
         f"+{most_memory}", f"{100 * (memory - 1):+.0f} %, {_yes(memory <= MOST_MEMORY)}"],
        ["seconds of the processor for a light more", "", *(f"{one:.2f}" for one in each_s),
         f"+{most_time}", f"{100 * (time - 1):+.0f} %, {_yes(time <= MOST_TIME)}"],
        ["the whole run, seconds of the processor", *(f"{one:.0f}" for one in cpu), "", ""],
    ]  # fmt: skip
    return [f"| {' | '.join(row)} |" for row in rows]


def _yes(reached: bool) -> str:
    return "yes" if reached else "no"


def main() -> None:
    """Measure, print, and write the table where asked to."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--lights", type=int, nargs=3, default=[20, 100, 1000])
    parser.add_argument("--frames", type=Path, help="folder of lights that were simulated before")
    parser.add_argument(
        "--work",
        type=Path,
        help="folder for frames and results, which is there and stays; a temporary one unless given",
    )
    parser.add_argument("--write", action="store_true")
    chosen = parser.parse_args()
    with nullcontext(chosen.work) if chosen.work else tempfile.TemporaryDirectory() as place:
        work, frames = Path(place), chosen.frames or Path(place) / "sim" / "night1"
        if not frames.exists():
            simulate(loads(SCENE.replace("count = 4", "count = 8")), frames.parent)
        lights = sorted(frames.glob("*.fits"))
        few, some, many = chosen.lights
        warming = work / "warm-up"
        warming.mkdir(exist_ok=True)
        run(warming, lights, len(lights))  # not counted: compiles what is not compiled yet
        costs = [run(work, lights, few), run(work, lights, some), run(work, lights, many, STOPPED)]
    rows = table(chosen.lights, costs)
    print("\n".join(rows))
    if chosen.write:
        write_table(PAGE, "many", rows)


if __name__ == "__main__":
    main()
