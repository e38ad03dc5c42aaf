"""The memory of a watch, as Linux counts it, does not grow with the number of subs."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from fourlight.simulate.render import simulate
from fourlight.simulate.scene import loads

SCENE = """
seed = 12
exposure_s = 60.0
[camera]
width_px = 720
height_px = 540
[stars]
count = 220
[[nights]]
count = 6
"""
SUBS, EARLY, LATE = 80, slice(15, 30), slice(-15, None)


def held(pid: int) -> float:
    """Memory that no file stands behind (RssAnon in proc(5)), MB."""
    text = Path(f"/proc/{pid}/status").read_text()
    found = re.search(r"RssAnon:\s+(\d+) kB", text)
    return int(found[1]) / 1e3 if found else float("nan")


# Other systems tell the memory of a process by calls that differ from each other; the program is the same there.
@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="asks Linux")
def test_memory_is_flat(tmp_path: Path) -> None:
    """Eighty subs of 0.4 MP. A sum over the sensor in floats takes 1.6 MB: were anything of that size kept of a sub,
    the last would find 78 MB more than the first.

    Rows grow by a kilobyte a sub; charts and pictures, made at moments of their own, leave the heap of the system
    larger or smaller by 20 MB (seen over 120 subs of 0.6 MP: 316, 334 and 313 MB).
    """
    simulate(loads(SCENE), tmp_path / "sim")
    folder = tmp_path / "arriving"
    folder.mkdir()
    lights = sorted((tmp_path / "sim" / "night1").glob("*.fits"))
    for k in range(SUBS):
        with fits.open(lights[k % len(lights)]) as units:
            units[0].header["DATE-OBS"] = str(
                np.datetime64("2031-08-14T22:00:00") + np.timedelta64(68 * k, "s")
            )
            units.writeto(folder / f"sub_{k:03d}.fits")
    words = ["watch", str(folder), "--out", str(tmp_path / "out"), "--subs", str(SUBS)]
    with subprocess.Popen(
        [sys.executable, "-c", "from fourlight.cli import main; main()", *words],
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stderr is not None
        told = (line for line in process.stderr if re.match(r"sub \d+", line))
        seen = [held(process.pid) for _ in told if process.poll() is None]
    assert process.returncode == 0
    assert len(seen) == SUBS
    assert np.median(seen[LATE]) - np.median(seen[EARLY]) < 40
