"""The memory of the real program, as Linux counts it, stays below that of ``--memory``."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from fourlight.simulate.render import simulate
from fourlight.simulate.scene import loads

LARGE = """
seed = 6
[camera]
width_px = 2000
height_px = 1500
[stars]
count = 800
[calibration]
darks = 2
flats = 2
bias = 2
[[nights]]
count = 3
"""
"""Lights of 3 MP: the picture alone, made in one piece, would take 0.5 GB beside the program's own 0.3 GB."""
SMALLER = LARGE.replace("2000", "900").replace("1500", "700").replace("800", "300")
"""Of the same kind, with stars enough for every step that the large ones go through."""


def peak_bytes(process: subprocess.Popen[bytes]) -> int:
    """Most memory that no file stands behind (RssAnon in proc(5)) until a process ends."""
    most = 0
    while process.poll() is None:
        try:
            lines = Path(f"/proc/{process.pid}/status").read_text().splitlines()
        except OSError:
            break
        most = max([most, *(int(line.split()[1]) * 1024 for line in lines if line.startswith("RssAnon"))])
        time.sleep(0.01)
    return most


@pytest.fixture(scope="module")
def smaller(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder of the smaller lights and of their calibration frames."""
    folder = tmp_path_factory.mktemp("smaller")
    simulate(loads(SMALLER), folder)
    return folder


@pytest.fixture(scope="module")
def large(tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    """Folders of the large lights and of their calibration frames."""
    folder = tmp_path_factory.mktemp("large")
    simulate(loads(LARGE), folder)
    return [str(folder / name) for name in ("night1", "darks", "flats", "bias")]


# Other systems tell the memory of a process by calls that differ from each other; the reckoning is tested on all.
@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="asks Linux")
@pytest.mark.parametrize("method", ["drizzle", "least-squares"])
def test_a_run_stays_within_its_memory(
    command: Any, looking: Any, smaller: Path, large: list[str], tmp_path: Path, method: str
) -> None:
    setting = f"integrate.method={method}"
    # kernels are compiled here, which takes memory once
    with looking():
        assert command("run", smaller, "--out", tmp_path / "small", "--set", setting).code == 0
    words = ["run", *large, "--out", str(tmp_path / "out"), "--memory", "500MB", "--set", setting]
    with subprocess.Popen(
        [sys.executable, "-c", "from fourlight.cli import main; main()", *words], stderr=subprocess.DEVNULL
    ) as process:
        most = peak_bytes(process)
    assert process.returncode == 0
    assert 100e6 < most < 500e6
