"""``fourlight camera measure``: what it prints and writes."""

from __future__ import annotations

import gzip
import json
import shutil

import numpy as np
import pytest
from astropy.io import fits
from PIL import Image

from bench_sensor import BENCH_GAIN as GAIN
from bench_sensor import BENCH_READ as READ
from bench_sensor import some
from fourlight.report.camera import measured_lines
from fourlight.sensor.profile import loads
from fourlight.stages.camera_maps import Defect


def test_everything_is_told_and_written(command, bench, tmp_path, untouched):
    with untouched(bench):
        done = command(
            "camera", "measure", bench / "flats", bench / "bias", bench / "darks", "--out", tmp_path / "out"
        )
    assert done.code == 0, done.err
    said = " ".join(done.out.split())
    assert "camera bench, 200 x 160, RGGB, gain setting 100, offset 40, bias frames at -10 C" in said
    assert "frames 18 flats (9 pairs), 8 bias frames (4 pairs), 8 darks" in said
    assert "by colour R G1 G2 B" in said
    for name in ("gain", "read noise", "dynamic range", "warming that doubles it", "hot samples"):
        assert f" {name} " in said
    made = sorted(path.name for path in (tmp_path / "out").iterdir())
    pictures = ("dark-current", "defects", "linearity", "photon-transfer")
    wanted = [
        "camera.json",
        "camera.toml",
        "defects.fits",
        *(f"{p}.{e}" for p in pictures for e in ("png", "svg")),
    ]
    assert made == sorted(wanted)
    profile = loads((tmp_path / "out" / "camera.toml").read_text(encoding="utf-8"))
    found = profile.quantities
    assert found["gain"].value == pytest.approx(GAIN, rel=0.01)
    assert found["read_noise"].value == pytest.approx(READ, rel=0.05)
    assert found["full_well"].bound == ""
    # (T2 - T1) / log2 of the ratio
    assert found["dark_doubling"].value == pytest.approx(10 / np.log2(3), rel=0.05)
    assert all(q.error is not None for name, q in found.items() if name != "dark_temperature")
    assert all(q.frames > 0 for q in found.values())
    for picture in pictures:
        with Image.open(tmp_path / "out" / f"{picture}.png") as image:
            assert image.size[0] == 1920
    with fits.open(tmp_path / "out" / "defects.fits") as file:
        assert file["DEFECTS"].data.shape == (160, 200)
        assert file["DEFECTS"].data[50, 60] & Defect.HOT
        assert file["DEFECTS"].header["BIT1"] == "HOT"


def test_json_holds_the_profile_and_the_points(command, bench):
    done = command("camera", "measure", bench / "flats", bench / "bias", "--json")
    facts = json.loads(done.out)
    assert facts["quantities"]["gain"]["unit"] == "e/ADU"
    assert set(facts["curves"]) == {"R", "G1", "G2", "B"}
    assert facts["missing"]["dark_current"] == "darks"
    assert any("darks would show more" in note for note in facts["notes"])
    red = facts["curves"]["R"]
    assert len(red["points"]) > 5


def test_one_temperature_is_told_and_not_refused(command, bench, tmp_path):
    some(bench, tmp_path, "darks")
    for path in (tmp_path / "darks").iterdir():
        fits.setval(path, "CCD-TEMP", value=-10.0)
    done = command(
        "camera", "measure", bench / "flats", bench / "bias", tmp_path / "darks", "--out", tmp_path / "o"
    )
    assert done.code == 0
    assert "not measured: how dark current grows with temperature; needed: darks of two or more" in done.out
    assert "dark current of ordinary samples" in done.out
    assert (tmp_path / "o" / "dark-current.png").exists()


def test_without_darks_the_dark_current_is_not_measured(command, bench):
    done = command("camera", "measure", bench / "flats", bench / "bias")
    assert "not measured: dark current; needed: darks" in done.out
    assert "warming" not in done.out


def test_places_of_no_known_colour_are_named_by_row_and_column(command, bench, tmp_path):
    some(bench, tmp_path, "flats", "bias")
    for path in (*(tmp_path / "flats").iterdir(), *(tmp_path / "bias").iterdir()):
        fits.delval(path, "BAYERPAT")
    done = command("camera", "measure", tmp_path / "flats", tmp_path / "bias", "--out", tmp_path / "out")
    assert "by row and column" in done.out
    assert "r0c0" in done.out
    assert "mosaic not stated" in done.out
    named = command("camera", "measure", tmp_path / "flats", tmp_path / "bias", "--mosaic", "gbrg")
    assert " ".join(named.out.split()).partition("by colour")[2].split()[:4] == ["G2", "B", "R", "G1"]


def test_a_mosaic_that_contradicts_the_headers_is_told(command, bench):
    done = command("camera", "measure", bench / "flats", bench / "bias", "--mosaic", "BGGR")
    assert done.code == 0
    said = " ".join(done.out.split())
    assert "to know: The headers say RGGB; places are named by the mosaic that was given, BGGR." in said
    assert "by colour B G1 G2 R" in said or "by colour B G2 G1 R" in said
    agreed = command("camera", "measure", bench / "flats", bench / "bias", "--mosaic", "RGGB")
    assert "The headers say" not in agreed.out


def test_flats_of_one_level_tell_a_gain_and_what_is_missing(command, bench, tmp_path):
    (tmp_path / "flats").mkdir()
    for name in ("f004.fits", "f005.fits"):
        shutil.copy(bench / "flats" / name, tmp_path / "flats")
    done = command("camera", "measure", tmp_path / "flats", bench / "bias", "--json")
    facts = json.loads(done.out)
    assert "frames  2 flats (1 pair), 8 bias frames (4 pairs)" in measured_lines(facts)[1]
    gain = facts["quantities"]["gain"]
    assert abs(gain["value"] - GAIN) < 4 * gain["error"]
    assert facts["quantities"]["full_well"]["bound"] == "at least"
    assert facts["missing"]["linearity"].endswith("(found: 1 exposure)")


def test_packed_frames_give_the_same_numbers(command, bench, tmp_path):
    for part in ("flats", "bias"):
        (tmp_path / part).mkdir()
        for path in (bench / part).iterdir():
            with gzip.open(tmp_path / part / f"{path.name}.gz", "wb") as file:
                file.write(path.read_bytes())
    plain = json.loads(command("camera", "measure", bench / "flats", bench / "bias", "--json").out)
    packed = json.loads(command("camera", "measure", tmp_path / "flats", tmp_path / "bias", "--json").out)
    assert packed["quantities"] == plain["quantities"]


def test_rows_that_never_came_do_not_count(command, bench, tmp_path):
    """A twentieth of the rows of one flat, and all but a few of another, which is left out."""
    some(bench, tmp_path, "flats")
    for name, row in (("f004.fits", 154), ("f008.fits", 20)):
        with fits.open(tmp_path / "flats" / name, mode="update") as file:
            file[0].data[row:] = 0
    done = command("camera", "measure", tmp_path / "flats", bench / "bias", "--json")
    facts = json.loads(done.out)
    gain = facts["quantities"]["gain"]
    assert gain["value"] == pytest.approx(GAIN, abs=4 * gain["error"])
    (note,) = [note for note in facts["notes"] if note.startswith("f008.fits left out: ")]
    assert "hold one value only" in note
    assert facts["counts"]["flats"] == 17


def test_a_camera_can_be_measured_again_into_its_folder(command, bench, tmp_path):
    for _ in range(2):
        done = command("camera", "measure", bench / "flats", bench / "bias", "--out", tmp_path / "out")
        assert done.code == 0, done.err
    assert (tmp_path / "out" / "defects.fits").exists()


def test_the_map_of_defects_is_never_taken_for_a_frame(command, bench, tmp_path):
    command("camera", "measure", bench / "flats", bench / "bias", "--out", tmp_path / "out")
    some(bench, tmp_path, "flats")
    shutil.copy(tmp_path / "out" / "defects.fits", tmp_path / "flats")
    done = command("camera", "measure", tmp_path / "flats", bench / "bias")
    assert done.code == 0
    assert "1 file in" in done.out
    assert "left out: a result or simulated truth" in " ".join(done.out.split())


def test_one_stuck_sample_costs_no_nonuniformity(command, bench, tmp_path):
    """The sample itself is a defect; without flats that are not full nobody looked for cold ones."""
    some(bench, tmp_path, "flats")
    for path in (tmp_path / "flats").iterdir():
        with fits.open(path, mode="update") as file:
            file[0].data[70, 90] = 65535
    facts = json.loads(command("camera", "measure", tmp_path / "flats", bench / "bias", "--json").out)
    assert "prnu" not in facts["missing"]
    assert any(name.startswith("prnu") for name in facts["quantities"])
    for path in (tmp_path / "flats").iterdir():
        with fits.open(path, mode="update") as file:
            file[0].data[:, :5] = 65535
    facts = json.loads(command("camera", "measure", tmp_path / "flats", bench / "bias", "--json").out)
    assert facts["missing"]["prnu"].startswith("flats below saturation")
    assert "defects_cold" not in facts["quantities"]
