"""Faults in the middle of a run: is anything lost, and does the next run give the same pixels?

Usage: python benchmarks/faults.py [--only WORDS] [--share S] [--write]

Each fault is done to small runs at moments spread over their length; then what was broken is mended, the same command
runs again, and its results are held against those of a run that nobody disturbed: every plane of stack.fits and
halves.fits and the picture must be the same to the last bit. Raw frames are held against their own hashes, and no file
may lie about that was not finished. Disks in memory and lost rights need Linux and root.
"""

from __future__ import annotations

import argparse
import hashlib
import re
import shutil
import tempfile
import time
from collections import Counter
from pathlib import Path

import numpy as np
from astropy.io import fits
from fault_cases import CASES, Bench, Case
from page_tables import write_table
from PIL import Image

from fourlight.simulate.render import simulate
from fourlight.simulate.scene import loads

PAGE = Path(__file__).parents[1] / "docs" / "faults.md"
SCENE = """
seed = 31
[object]
size = 0.7
[camera]
width_px = 240
height_px = 180
[stars]
count = 90
cluster_count = 0
[calibration]
bias = 3
flats = 3
darks = 3
[[nights]]
count = 6
"""
QUICK = ["--set", "evidence.claims=false"]
"""Claims are most of the work of so small a run, and are never kept half done; channels are measured."""


def pixels(out: Path) -> dict[str, str]:
    """Hashes of all planes of results."""
    found = {}
    for name in ("stack.fits", "halves.fits"):
        with fits.open(out / name) as hdus:
            for hdu in hdus:
                if hdu.data is not None:
                    found[f"{name} {hdu.name}"] = hashlib.sha256(np.ascontiguousarray(hdu.data)).hexdigest()
    with Image.open(out / "picture.png") as picture:
        found["picture.png"] = hashlib.sha256(np.asarray(picture).tobytes()).hexdigest()
    return found


def hashes(folder: Path) -> dict[str, str]:
    """Of every file below a folder."""
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def tried(case: Case, bench: Bench, whole: dict[str, str], raw: dict[str, str], share: float) -> str:
    """A row of the table."""
    told, same, lost = Counter[str](), 0, 0
    count = max(1, round(case.times * share))
    for k in range(count):
        out = bench.work / "out"
        told[_plain(case.harm(bench, out, (k + 0.5) / count))] += 1
        if hashes(bench.raw) != raw:
            lost += 1
        with bench.started(out) as again:
            assert again.stderr is not None
            said = again.stderr.read()
        left = list(out.rglob("*.part"))
        if again.returncode == 0 and not left and pixels(out) == whole:
            same += 1
        else:
            print(f"NOT THE SAME after {case.name}, moment {k + 1} of {count}: {left}\n{said}", flush=True)
            shutil.copytree(out, bench.work.parent / f"kept-{case.harm.__name__}-{k}", dirs_exist_ok=True)
        shutil.rmtree(out)
        shutil.rmtree(bench.work / "kept", ignore_errors=True)
    words = "; ".join(f"“{line}” ({n})" for line, n in told.most_common() if line)
    verdict = (
        "nothing lost, the same to the last bit"
        if same == count and not lost
        else f"{same} of {count} the same"
    )
    return f"| {case.name} | {count} | {words or '–'} | {verdict} |"


def _plain(said: str) -> str:
    """What a run said, without what differs from run to run: its file, its process."""
    said = re.sub(r"^fourlight: (\S+/\S+: )?", "", said).strip("-")
    return re.sub(r"process \d+ on \S+, begun [^,]+,", "process … on …,", said)


def main() -> None:
    """Try every fault, print the table, and write it where asked to."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--only", default="", help="faults whose name holds these words")
    parser.add_argument("--share", type=float, default=1.0, help="of the moments")
    parser.add_argument("--write", action="store_true")
    chosen = parser.parse_args()
    rows = [
        "| fault | moments | what the run said (how often) | the same command again |",
        "|---|---|---|---|",
    ]
    with tempfile.TemporaryDirectory() as place:
        Path(place).chmod(0o755)
        work = Path(place) / "work"
        work.mkdir()
        simulate(loads(SCENE), Path(place) / "raw")
        bench = Bench(Path(place) / "raw", work, QUICK, 0.0)
        for _ in range(2):  # the first one compiles
            shutil.rmtree(work / "whole", ignore_errors=True)
            begun = time.monotonic()
            with bench.started(work / "whole") as process:
                process.communicate()
            assert process.returncode == 0
            seconds = time.monotonic() - begun
        bench = Bench(bench.raw, work, QUICK, seconds)
        whole, raw = pixels(work / "whole"), hashes(bench.raw)
        print(f"an undisturbed run takes {seconds:.1f} s", flush=True)
        for case in CASES:
            if chosen.only in case.name:
                rows.append(tried(case, bench, whole, raw, chosen.share))
                print(rows[-1], flush=True)
    if chosen.write:
        write_table(PAGE, "faults", rows)


if __name__ == "__main__":
    main()
