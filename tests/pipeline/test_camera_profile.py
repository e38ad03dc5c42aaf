"""A run that takes gain and read noise from a camera profile."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from fourlight.frames import RawFrame, Role
from fourlight.recipe_read import Read
from fourlight.sensor.profile import Camera, Profile, Quantity, dumps
from fourlight.stages.profile_defects import known_defects
from plain_runs import PLAINLY


def profile(path: Path, gain: float = 0.77, **camera: object) -> Path:
    facts = {"name": "simulated camera", "width_px": 240, "height_px": 180, "gain_setting": 100.0, **camera}
    made = Profile(
        camera=Camera.model_validate(facts),
        quantities={
            "gain": Quantity(value=gain, error=0.004, unit="e/ADU", frames=20),
            "read_noise": Quantity(value=1.7, error=0.01, unit="e", frames=20),
        },
    )
    path.write_text(dumps(made), encoding="utf-8")
    return path


def profiled(named: Path | str) -> list[str]:
    """Words that ask a plain run for a profile."""
    return [*PLAINLY, "--set", f"read.camera_profile={named}"]


def test_gain_and_read_noise_are_those_of_the_profile(command, small_night, tmp_path):
    """Before lights and header (true gain 0.8, which the header says too), and the report says so."""
    named = profile(tmp_path / "camera.toml")
    done = command("run", small_night, "--out", tmp_path / "out", *profiled(named))
    assert done.code == 0, done.err
    summary = json.loads((tmp_path / "out" / "summary.json").read_text(encoding="utf-8"))
    noise = summary["noise"]
    assert (noise["gain_e_per_adu"], noise["gain_error"], noise["gain_source"]) == (
        0.77,
        0.004,
        "camera profile",
    )
    assert (noise["read_noise_e"], noise["read_noise_source"]) == (1.7, "camera profile")
    assert any(
        note
        == "From the camera profile: gain 0.770 +- 0.004 e/ADU and read noise 1.700 +- 0.010 e (camera.toml)."
        for note in summary["calibration"]["notes"]
    )
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "camera profile" in page
    assert "0.770 ± 0.004" in page


def test_the_recipe_itself_goes_before_the_profile(command, small_night, tmp_path):
    named = profile(tmp_path / "camera.toml")
    words = (*profiled(named), "--set", "read.gain_e_per_adu=0.9")
    done = command("run", small_night, "--out", tmp_path / "out", *words, "--json")
    noise = json.loads(done.out)["noise"]
    assert (noise["gain_e_per_adu"], noise["gain_source"]) == (0.9, "recipe")
    assert noise["read_noise_source"] == "camera profile"
    assert "0.770 +- 0.004 from camera profile" in done.out


def test_the_same_profile_is_asked_for_again(command, small_night, tmp_path, monkeypatch):
    named = profile(tmp_path / "camera.toml")
    monkeypatch.chdir(tmp_path)
    assert command("run", small_night, "--out", "out", *profiled("camera.toml")).code == 0
    record = tmp_path / "out" / "provenance.json"
    assert list(json.loads(record.read_text())["others"]) == [str(named)]
    monkeypatch.chdir("/")
    assert command("run", "--again", record, "--out", tmp_path / "again").code == 0
    stacks = [(tmp_path / name / "stack.fits").read_bytes() for name in ("out", "again")]
    assert stacks[0] == stacks[1]
    profile(named, gain=0.9)
    done = command("run", "--again", record, "--out", tmp_path / "third")
    assert done.code == 2
    assert f"{named}: has changed since" in done.line


def defects(folder: Path, shape: tuple[int, int] = (180, 240), mosaic: str = "RGGB") -> Path:
    """A map with three kinds of defects, as astropy writes it."""
    found = np.zeros(shape, np.uint8)
    found[40:44, 50] = (1, 2, 4, 5)
    unit = fits.ImageHDU(found, name="DEFECTS")
    unit.header["MOSAIC"] = mosaic
    fits.HDUList([fits.PrimaryHDU(), unit]).writeto(folder / "defects.fits", overwrite=True)
    return folder / "defects.fits"


def test_samples_of_its_map_are_left_out_and_that_is_told(command, small_night, tmp_path):
    named = profiled(profile(tmp_path / "camera.toml"))
    bare = json.loads(command("run", small_night, "--out", tmp_path / "bare", *named, "--json").out)
    path = defects(tmp_path)
    done = command("run", small_night, "--out", tmp_path / "out", *named, "--json")
    assert done.code == 0, done.err
    found = json.loads(done.out)["calibration"]
    assert (bare["calibration"]["defects_of_profile"], found["defects_of_profile"]) == (0, 4)
    assert found["defective_samples"] == bare["calibration"]["defective_samples"] + 4
    assert any("4 are in the map of the camera profile (4 of them nowhere else)" in n for n in found["notes"])
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "the map of the camera profile (4 samples)" in page
    record = json.loads((tmp_path / "out" / "provenance.json").read_text())
    assert str(path) in record["others"]
    off = command(
        "run", small_night, "--out", tmp_path / "off", *named, "--set", "calibrate.defects=off", "--json"
    )
    assert json.loads(off.out)["calibration"]["defective_samples"] == 0


@pytest.mark.parametrize(
    ("first", "said"),
    [(False, ["has come, gone or changed"]), (True, ["has changed since", "is gone since"])],
)
def test_another_map_is_another_result(command, small_night, tmp_path, first, said):
    """One that has come; one that was there, and is changed, then taken away."""
    named = profile(tmp_path / "camera.toml")
    if first:
        defects(tmp_path)
    command("run", small_night, "--out", tmp_path / "out", *profiled(named))
    path = defects(tmp_path, mosaic="")
    for text in said:
        done = command("run", "--again", tmp_path / "out" / "provenance.json", "--out", tmp_path / "again")
        assert done.code == 2
        assert f"defects.fits: {text}" in done.line
        path.unlink(missing_ok=True)


@pytest.mark.parametrize(
    ("facts", "said"),
    [
        ({"shape": (90, 120)}, "is 120 x 90, the lights are 240 x 180; measure the camera with frames"),
        ({"mosaic": "GBRG"}, "is of mosaic GBRG, the lights have RGGB; measure the camera with frames"),
    ],
)
def test_a_map_of_other_frames_is_refused(command, small_night, tmp_path, facts, said):
    named = profile(tmp_path / "camera.toml")
    path = defects(tmp_path, **facts)
    done = command("run", small_night, "--out", tmp_path / "out", *profiled(named))
    assert done.code == 2
    assert f"{path}: this map of defective samples {said}" in done.line
    assert not (tmp_path / "out" / "stack.fits").exists()


def test_what_is_no_map_is_one_line(command, small_night, tmp_path):
    named = profile(tmp_path / "camera.toml")
    (tmp_path / "defects.fits").write_bytes(b"SIMPLE  = nonsense")
    done = command("run", small_night, "--out", tmp_path / "out", *profiled(named))
    assert done.code == 2
    assert "defects.fits: no map of defective samples (" in done.line


def test_what_the_command_leaves_is_read_back(tmp_path):
    """Whatever is left of a sample that the map has is not a number; others are what they are without it."""
    path = defects(tmp_path)
    read = Read(camera_profile=str(profile(tmp_path / "camera.toml")))
    light = RawFrame(tmp_path / "light.fits", 0, 180, 240, Role.LIGHT, "header")
    found = known_defects(read, light, "RGGB")
    assert found is not None
    np.testing.assert_array_equal(found, fits.getdata(path, "DEFECTS") > 0)
    assert known_defects(Read(), light, "RGGB") is None


REFUSED = [
    (
        {"gain_setting": 200.0},
        "does not hold for the lights: gain setting 100 instead of 200; measure the camera",
    ),
    ({"width_px": 480}, "does not hold for the lights: size 240 x 180 instead of 480 x 180"),
    ({"binning": 2}, "does not hold for the lights: binning 1 instead of 2"),
]


@pytest.mark.parametrize(("facts", "said"), REFUSED)
def test_a_profile_of_other_settings_is_refused(command, small_night, tmp_path, facts, said):
    named = profile(tmp_path / "camera.toml", **facts)
    done = command("run", small_night, "--out", tmp_path / "out", *profiled(named))
    assert done.code == 2
    assert said in done.line
    assert not (tmp_path / "out").exists()


def test_what_is_no_profile_is_one_line(command, small_night, tmp_path):
    wrong = tmp_path / "wrong.toml"
    wrong.write_text("[integrate]\npixfrac = 0.8\n", encoding="utf-8")
    binary = tmp_path / "b.toml"
    binary.write_bytes(b"\xfa\x80\xff\xfe")
    empty = tmp_path / "empty.toml"
    empty.write_text("[camera]\nwidth_px = 240\nheight_px = 180\n", encoding="utf-8")
    for named, said in (
        (tmp_path / "nowhere.toml", "nowhere.toml: cannot be read as a camera profile (No such file"),
        (wrong, "wrong.toml: integrate"),
        (binary, "b.toml: cannot be read as a camera profile (not a text file in UTF-8 or UTF-16)"),
        (empty, "empty.toml: this camera profile holds no gain above 0"),
    ):
        done = command("run", small_night, "--out", tmp_path / "out", *profiled(named))
        assert done.code == 2
        assert said in done.line


def test_of_two_kinds_of_lights_one_uses_it(command, raw, tmp_path):
    """Lights of another gain setting go on with what else is known of them, and that is told."""
    (raw.parent / "n2").mkdir()
    for k, path in enumerate(sorted(raw.iterdir())):
        if k % 2:
            fits.setval(path, "GAIN", value=200)
            shutil.move(path, raw.parent / "n2" / path.name)
    named = profile(tmp_path / "camera.toml")
    done = command(
        "run",
        raw,
        raw.parent / "n2",
        "--out",
        tmp_path / "out",
        *profiled(named),
        "--json",
    )
    assert done.code == 0, done.err
    summary = json.loads(done.out)
    sources = [kind["noise"]["gain_source"] for kind in summary["kinds"]]
    assert sorted(sources)[0] == "camera profile"
    assert sorted(sources)[1] != "camera profile"
    assert any(
        "Camera profile not used: gain setting 200 instead of 100" in line for line in summary["to_know"]
    )
