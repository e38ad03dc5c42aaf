"""Lights of two cameras in one stack: each kind with its own mosaic, gain and calibration, all on one grid."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits

from fourlight.core import maps
from fourlight.pipeline.run import run
from fourlight.recipe import Recipe, with_settings
from fourlight.simulate.render import simulate
from fourlight.simulate.scene import loads

SCENE = """
seed = 8
[object]
size = 0.7
[camera]
width_px = 420
height_px = 320
{camera}
[stars]
count = 260
cluster_count = 0
[calibration]
darks = 5
flats = 6
bias = 6
[[nights]]
count = 6
[[nights]]
count = 5
scale = 1.4
rotation_deg = 20.0
start_utc = "2031-08-15T23:30:00"
"""
OTHER = 'gain_e_per_adu = 0.4\noffset_adu = 300\nread_noise_e = 3.0\nmosaic = "GBRG"\nfull_well_e = 20000'


@pytest.fixture(scope="module")
def nights(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """First night by one camera; second by another one with large pixels, whose frames are smaller."""
    root = tmp_path_factory.mktemp("kinds")
    simulate(loads(SCENE.format(camera="")), root / "one")
    simulate(loads(SCENE.format(camera=OTHER)), root / "other")
    for path in (root / "one" / "night2").iterdir():
        path.unlink()
    for path in sorted((root / "other").rglob("*.fits")):
        folder = path.relative_to(root / "other").parts[0]
        if folder not in ("truth", "night1"):
            into = root / "one" / "second" / path.relative_to(root / "other")
            into.parent.mkdir(parents=True, exist_ok=True)
            with fits.open(path) as hdus:
                hdus[0].header["INSTRUME"] = "second camera"
                fits.PrimaryHDU(hdus[0].data[:-20, :-40], hdus[0].header).writeto(into)
    return root / "one"


@pytest.fixture(scope="module")
def ran(nights: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("out") / "out"
    run([nights], out, with_settings(Recipe(), ["registration.reference=night1/light_0001.fits"]))
    return out


def test_each_kind_has_its_own_mosaic_and_gain(ran: Path) -> None:
    summary = json.loads((ran / "summary.json").read_text())
    assert len(summary["frames"]) == 11
    first, second = summary["kinds"]
    assert [kind["mosaic"]["pattern"] for kind in (first, second)] == ["RGGB", "GBRG"]
    # what was simulated; a gain from six flats and six bias frames is known to a per cent
    assert first["noise"]["gain_e_per_adu"] == pytest.approx(0.8, rel=0.03)
    assert second["noise"]["gain_e_per_adu"] == pytest.approx(0.4, rel=0.03)
    assert second["noise"]["read_noise_e"] == pytest.approx(3.0, rel=0.05)
    assert "second camera" in second["kind"]
    assert "Kinds of lights" in (ran / "report.html").read_text()


def test_lights_of_the_second_camera_lie_where_they_were_put(ran: Path, nights: Path) -> None:
    summary = json.loads((ran / "summary.json").read_text())
    truth = {
        f["file"]: np.array(f["matrix"])
        for f in json.loads((nights / "truth/truth.json").read_text())["frames"]
    }
    still = maps.inverse(truth["night1/light_0001.fits"])
    x, y = np.array([60.0, 300.0, 60.0, 300.0]), np.array([50.0, 50.0, 250.0, 250.0])
    second = [f for f in summary["frames"] if "second" in f["path"]]
    assert len(second) == 5
    for frame in second:
        true = maps.apply(maps.composed(truth[f"night2/{Path(frame['path']).name}"], still), x, y)
        miss = np.hypot(*np.subtract(maps.apply(np.array(frame["matrix"]), x, y), true))
        assert (
            miss.max() < 0.05
        )  # pixels of the stack; a star scatters by 0.05 px, and 100 of them place a frame


def test_light_and_noise_of_both_together(ran: Path, nights: Path) -> None:
    """Slope of the stack on the truth, and scatter of 8 x 8 blocks of half less half over what VAR claims."""
    with fits.open(ran / "halves.fits") as halves:
        for plane in ("R", "G1", "B"):
            a, b, va, vb = (halves[f"{k}{plane}_{h}"].data.astype(float) for k in ("", "VAR_") for h in "AB")
            pull = ((a - b) / np.sqrt(va + vb))[8:-8, 8:-8]
            ny, nx = (side // 8 for side in pull.shape)
            means = np.nanmean(pull[: ny * 8, : nx * 8].reshape(ny, 8, nx, 8), axis=(1, 3)) * 8
            core = 1.4826 * np.median(np.abs(means - np.median(means)))
            assert core == pytest.approx(1, abs=0.12)  # 1,900 blocks, stars among them


def test_the_recipe_can_keep_kinds_apart(nights: Path, tmp_path: Path, command: Any) -> None:
    done = command("run", nights, "--out", tmp_path / "out", "--set", "read.mix_kinds=false")
    assert done.code == 0, done.err
    summary = json.loads((tmp_path / "out" / "summary.json").read_text())
    assert len(summary["frames"]) == 6
    assert summary["kinds"] == []
    assert sum("camera" in item["reason"] for item in summary["set_aside"]) == 5
