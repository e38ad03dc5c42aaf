"""Files whose header is whole but whose last rows never came: said, and nowhere counted as light."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits

from fourlight.simulate.render import simulate
from fourlight.simulate.scene import loads
from plain_runs import PLAINLY

CUT = 108
DARKS = """
seed = 6
[camera]
width_px = 240
height_px = 180
[stars]
count = 70
cluster_count = 0
[calibration]
darks = 4
[[nights]]
count = 2
"""
SKY = """
seed = 3
[object]
kind = "none"
[camera]
width_px = 240
height_px = 180
[stars]
count = 70
cluster_count = 0
[[nights]]
count = 4
"""
"""Nothing but stars, so that the sky of a light is known to a third of an electron on half of it too."""


def cut(path: Path, row: int) -> None:
    """Zeros from the middle of a row on."""
    with fits.open(path) as hdus:
        image, header = hdus[0].data.copy(), hdus[0].header
    image.ravel()[row * image.shape[1] + 100 :] = 0
    fits.PrimaryHDU(image, header).writeto(path, overwrite=True)


def stack(out: Path) -> tuple[dict[str, Any], Any, Any]:
    with fits.open(out / "stack.fits") as hdus:
        return json.loads((out / "summary.json").read_text()), hdus["G"].data, hdus["SAMPLES_G"].data


def test_a_light_that_was_cut_counts_where_it_is_whole(command: Any, tmp_path: Path, untouched: Any) -> None:
    simulate(loads(SKY), tmp_path / "sim")
    raw = tmp_path / "sim" / "night1"
    # one grid and one size of drops for both, which the damage could change
    alike = (*PLAINLY, "--set", "registration.reference=light_0001.fits", "--set", "integrate.pixfrac=1")
    assert command("run", raw, "--out", tmp_path / "all", *alike).code == 0
    cut(raw / "light_0003.fits", CUT)
    with untouched(raw):
        done = command("run", raw, "--out", tmp_path / "cut", *alike)
        listed = " ".join(command("inspect", raw).out.split())
    assert done.code == 0, done.err
    (summary, whole, many), (told, part, few) = stack(tmp_path / "all"), stack(tmp_path / "cut")
    assert not told["set_aside"]
    flags = {frame["file"]: frame["flags"] for frame in told["frames"]}
    assert [name for name, said in flags.items() if "in part" in said] == ["light_0003.fits"]
    said = "light_0003.fits: rows 108-179 of 180 hold one value only (0), as where a transfer was cut"
    page = (tmp_path / "cut" / "report.html").read_text(encoding="utf-8")
    for text in (json.dumps(told["to_know"] + told["assumptions"]), listed, done.err, page):
        assert text.count(said) == 1
    weights = [frame["weight"]["G1"] for frame in summary["frames"]]
    kept = 1 - weights[2] / sum(weights)
    below, above = slice(CUT + 15, 165), slice(15, CUT - 15)
    assert np.nanmedian(few[below] / many[below]) == pytest.approx(kept, abs=0.06)
    assert np.nanmedian(few[above] / many[above]) == pytest.approx(1, abs=0.06)
    # no step in the sky where one light ends: half a per cent of it at most, 0.4 e; the sky of a light under a
    # nebula that fills the field is known to 2 e only, which in one of four makes as much
    levels = [np.nanmedian(part[rows] / whole[rows]) for rows in (above, below)]
    assert levels[0] == pytest.approx(levels[1], abs=0.005)


def test_the_reference_has_all_rows(command: Any, raw: Path, tmp_path: Path) -> None:
    for name in ("light_0001.fits", "light_0002.fits", "light_0004.fits"):
        cut(raw / name, CUT + 20)
    done = command("run", raw, "--out", tmp_path / "out", *PLAINLY)
    assert done.code == 0, done.err
    assert "3 with rows missing" in " ".join((done.out + done.err).split())
    assert stack(tmp_path / "out")[0]["grid"]["reference"] == "light_0003.fits"


def test_a_dark_that_was_cut_is_set_aside(command: Any, tmp_path: Path) -> None:
    nights = tmp_path / "nights"
    simulate(loads(DARKS), nights)
    cut(nights / "darks" / "dark_0002.fits", CUT)
    done = command("run", nights, "--out", tmp_path / "out", *PLAINLY)
    assert done.code == 0, done.err
    summary = json.loads((tmp_path / "out" / "summary.json").read_text())
    assert {item["file"]: item["role"] for item in summary["set_aside"]} == {"dark_0002.fits": "dark"}
    assert "rows 108-179 of 180 hold one value only (0)" in summary["set_aside"][0]["reason"]
    assert summary["calibration"]["calibration_frames"]["dark"]["in_masters"] == 3
    assert "dark_0002.fits: rows 108-179 of 180" in " ".join(command("inspect", nights).out.split())


def test_of_one_exposure_in_two_files_the_whole_one_counts(command: Any, raw: Path, tmp_path: Path) -> None:
    """The one that was cut comes first by name."""
    for row, name in ((130, "a.fits"), (70, "b.fits")):
        (raw / name).write_bytes((raw / "light_0002.fits").read_bytes())
        cut(raw / name, row)
    done = command("run", raw, "--out", tmp_path / "out", *PLAINLY)
    assert done.code == 0, done.err
    found = stack(tmp_path / "out")[0]
    assert {frame["file"] for frame in found["frames"]} == {f"light_000{n}.fits" for n in range(1, 5)}
    reasons = {item["file"]: item["reason"] for item in found["set_aside"]}
    assert "rows 70-179 of 180 hold one value only (0)" in reasons["b.fits"]
    assert reasons["a.fits"] == (
        "same start, exposure and noise as light_0002.fits but other pixels (its rows 130-179 are missing); "
        "each exposure counts once"
    )
    assert not any("a.fits" in said for said in found["to_know"]), "no remark on what is not used"
