"""What many frames have in common is said in one line, whatever the numbers of each."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from astropy.io import fits

from fourlight.simulate.render import simulate
from fourlight.simulate.scene import loads

SCENE = """
seed = 7
[camera]
width_px = 240
height_px = 180
[stars]
count = 70
cluster_count = 0
[calibration]
darks = 3
flats = 4
flat_level = 0.014
[[nights]]
count = 4
"""


@pytest.fixture(scope="module")
def alike(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Lights whose temperature drifts, darks that are warm, flats that are dim; not to be changed."""
    folder = tmp_path_factory.mktemp("alike") / "nights"
    simulate(loads(SCENE), folder)
    for number, path in enumerate(sorted((folder / "night1").glob("*.fits"))):
        fits.setval(path, "CCD-TEMP", value=-10.0 - 0.2 * number)
    for path in (folder / "darks").glob("*.fits"):
        fits.setval(path, "CCD-TEMP", value=0.0)
    for number, path in enumerate(sorted((folder / "flats").glob("*.fits"))):
        with fits.open(path) as hdus:
            image, header = hdus[0].data.copy(), hdus[0].header
        fits.PrimaryHDU((image * (1 - 0.02 * number)).astype(image.dtype), header).writeto(
            path, overwrite=True
        )
    return folder


def told(text: str, words: str) -> list[str]:
    """Lines with some words, less their heading."""
    found = [line for line in text.splitlines() if line.startswith("to know") and words in line]
    return [line.removeprefix("to know").lstrip(": ") for line in found]


def test_lights_of_many_temperatures_and_dim_flats(command: Any, alike: Path, tmp_path: Path) -> None:
    nights = shutil.copytree(alike, tmp_path / "nights")
    seen, done = command("inspect", nights), command("run", nights, "--out", tmp_path / "out")
    assert (seen.code, done.code) == (0, 0), done.err
    for text in (seen.out, done.err):
        assert told(text, "darks") == ["3 darks (180 s, 0 C) left out: 0.0 C instead of -10.6 to -10.0 C"]
        (line,) = told(text, "flat")
        assert line.startswith("flat_0001.fits: flat is dark (")
        assert line.endswith("flat_0002.fits, flat_0003.fits, flat_0004.fits alike")
    said = json.loads((tmp_path / "out" / "summary.json").read_text())
    levels = [line for line in said["calibration"]["notes"] if "flat is dark" in line]
    assert not levels, "it stands in to_know, once"
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "flat is dark" in page


def test_the_record_keeps_what_the_terminal_calls_alike(command: Any, raw: Path, tmp_path: Path) -> None:
    """Other rows are missing in each of two lights: the summary and the report say which."""
    for name, first in (("light_0002.fits", 108), ("light_0003.fits", 150)):
        with fits.open(raw / name) as hdus:
            image, header = hdus[0].data.copy(), hdus[0].header
        image[first:] = 0
        fits.PrimaryHDU(image, header).writeto(raw / name, overwrite=True)
    done = command("run", raw, "--out", tmp_path / "out", "--set", "registration.reference=light_0001.fits")
    assert done.code == 0, done.err
    (line,) = told(done.err, "rows ")
    assert line.startswith("light_0002.fits: rows 108-179 of 180")
    assert line.endswith("; light_0003.fits alike")
    summary = json.loads((tmp_path / "out" / "summary.json").read_text())
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    odd = {item["file"]: item["reason"] for item in summary["odd"]}
    for name, rows in (("light_0002.fits", "rows 108-179"), ("light_0003.fits", "rows 150-179")):
        assert odd[name].startswith(f"{rows} of 180 hold one value only")
        assert sum(line.startswith(f"{name}: {rows} of 180") for line in summary["to_know"]) == 1
        assert page.count(f"{name}: {rows} of 180") == 1
