"""Calibration frames that do not fit the lights: named, left out or scaled, never silent."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from astropy.io import fits

from fourlight.simulate.render import simulate
from fourlight.simulate.scene import loads
from plain_runs import PLAINLY

SCENE = """
seed = 5
exposure_s = 120.0
[camera]
width_px = 240
height_px = 180
[stars]
count = 70
cluster_count = 0
[calibration]
darks = 3
dark_exposure_s = 30.0
flats = 3
flat_level = 1.6
[[nights]]
count = 3
"""


@pytest.fixture(scope="module")
def misfits(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three lights with darks of a fourth of their exposure and flats that are full."""
    folder = tmp_path_factory.mktemp("misfits") / "nights"
    simulate(loads(SCENE), folder)
    return folder


def test_full_flats_and_short_darks(command: Any, misfits: Path, tmp_path: Path, untouched: Any) -> None:
    with untouched(misfits):
        seen, done = command("inspect", misfits), command("run", misfits, "--out", tmp_path / "out", *PLAINLY)
    assert (seen.code, done.code) == (0, 0), done.err
    foreseen = [line.partition(": ")[2] for line in seen.out.splitlines() if line.startswith("set aside: ")]
    assert foreseen == [line[20:].strip() for line in done.err.splitlines() if line.startswith("set aside ")]
    for text in (seen.out, done.err):
        assert "no dark applied, no flat applied" in text
    summary = json.loads((tmp_path / "out" / "summary.json").read_text())
    reasons = {item["file"]: item["reason"] for item in summary["set_aside"]}
    assert reasons.keys() == {"flat_0001.fits", "flat_0002.fits", "flat_0003.fits"}
    assert all("full" in reason for reason in reasons.values())
    notes = " ".join(summary["calibration"]["notes"])
    assert "30 s" in notes
    assert "120 s" in notes
    assert summary["calibration"]["lights_with_flat"] == 0
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert all(name in page for name in reasons)


def test_calibration_frames_of_another_size(command: Any, misfits: Path, tmp_path: Path) -> None:
    nights = tmp_path / "nights"
    shutil.copytree(misfits / "night1", nights / "night1")
    for path in sorted((misfits / "darks").iterdir()):
        with fits.open(path) as hdus:
            (nights / "darks").mkdir(exist_ok=True)
            fits.PrimaryHDU(hdus[0].data[:100, :160], hdus[0].header).writeto(nights / "darks" / path.name)
    done = command("run", nights, "--out", tmp_path / "out", *PLAINLY)
    assert done.code == 0, done.err
    summary = json.loads((tmp_path / "out" / "summary.json").read_text())
    said = " ".join([*summary["calibration"]["notes"], *(item["reason"] for item in summary["set_aside"])])
    assert "160 x 100" in said
    assert summary["calibration"]["masters"] == {}
