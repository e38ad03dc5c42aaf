"""``fourlight camera measure``: what it refuses."""

from __future__ import annotations

import shutil

import pytest
from astropy.io import fits

from bench_sensor import BENCH_GAIN as GAIN
from bench_sensor import BENCH_READ as READ
from bench_sensor import Sensor, put, put_bias, put_flats, some


def bad_folder(missing, bench, tmp_path):
    return tmp_path / "nowhere", bench / "bias"


def bad_pair(_, bench, tmp_path):
    (tmp_path / "flats").mkdir()
    shutil.copy(bench / "flats" / "f004.fits", tmp_path / "flats")
    return tmp_path / "flats", bench / "bias"


def full_flats(_, bench, tmp_path):
    (tmp_path / "flats").mkdir()
    sensor = Sensor(32, gain=GAIN, read=READ, shape=(160, 200), full=40000.0)
    for k in range(4):
        put(tmp_path / "flats" / f"{k}.fits", sensor.expose(200000.0), "FLAT", 5.0)
    return tmp_path / "flats", bench / "bias"


def other_gain(_, bench, tmp_path):
    some(bench, tmp_path, "bias")
    for path in (tmp_path / "bias").iterdir():
        fits.setval(path, "GAIN", value=200)
    return bench / "flats", tmp_path / "bias"


def light_in_bias(_, bench, tmp_path):
    (tmp_path / "bias").mkdir()
    sensor = Sensor(33, gain=GAIN, read=READ, shape=(160, 200))
    for k in range(4):
        put(tmp_path / "bias" / f"{k}.fits", sensor.expose(3000.0), None, None)
    return bench / "flats", tmp_path / "bias"


def flats_as_bias(_, bench, tmp_path):
    return bench / "flats", bench / "flats"


def drifting(_, bench, tmp_path):
    (tmp_path / "flats").mkdir()
    sensor = Sensor(34, gain=GAIN, read=READ, shape=(160, 200))
    for k in range(6):
        put(tmp_path / "flats" / f"{k}.fits", sensor.expose(4000.0 * 1.3**k), "FLAT", 1.0)
    return tmp_path / "flats", bench / "bias"


def copies(_, bench, tmp_path):
    (tmp_path / "bias").mkdir()
    for name in ("a.fits", "b.fits", "c.fits"):
        shutil.copy(bench / "bias" / "b000.fits", tmp_path / "bias" / name)
    return bench / "flats", tmp_path / "bias"


def exchanged(_, bench, tmp_path):
    some(bench, tmp_path, "flats", "bias")
    for path in (*(tmp_path / "flats").iterdir(), *(tmp_path / "bias").iterdir()):
        fits.delval(path, "IMAGETYP")
        fits.delval(path, "EXPTIME")
    return tmp_path / "bias", tmp_path / "flats"


def small(_, bench, tmp_path):
    sensor = Sensor(35, shape=(40, 44))
    put_flats(tmp_path / "flats", sensor, [5000.0])
    put_bias(tmp_path / "bias", sensor, 4)
    return tmp_path / "flats", tmp_path / "bias"


def cut(_, bench, tmp_path):
    some(bench, tmp_path, "flats")
    for path in (tmp_path / "flats").iterdir():
        path.write_bytes(path.read_bytes()[:9000])
    return tmp_path / "flats", bench / "bias"


REFUSED = [
    (bad_folder, "nowhere: no such file or folder; name files or folders of raw frames"),
    (bad_pair, "1 flat found, no two of one exposure and filter; a pair of the same light is needed"),
    (full_flats, "all flats are full: at"),
    (other_gain, "flats and bias frames do not belong together: gain 200 instead of 100"),
    (light_in_bias, "these are no bias frames: their colours differ by"),
    (flats_as_bias, "no bias frames found, by their headers all 18 frames are flats"),
    (
        drifting,
        "flats of drifting light: from one flat to the next of the same exposure the level changes by 23 %",
    ),
    (copies, "1 bias frame found that is no copy; 2 are needed for a pair"),
    (exchanged, "these are no bias frames: "),
    (small, "frames of 44 x 40 pixels; 48 along each side are needed"),
    (cut, "no frame can be used ("),
]


@pytest.mark.parametrize(("make", "said"), REFUSED, ids=lambda x: getattr(x, "__name__", ""))
def test_what_cannot_be_measured_is_one_line(command, bench, tmp_path, make, said):
    flats, bias = make(None, bench, tmp_path)
    done = command("camera", "measure", flats, bias, "--out", tmp_path / "out")
    assert done.code == 2
    assert said in done.line
    assert not (tmp_path / "out").exists()


def test_usage_is_one_line(command, bench, tmp_path):
    done = command("camera", "measure", bench / "flats", bench / "bias", "--mosaic", "RGB")
    assert (done.code, done.line) == (2, "--mosaic RGB: one of RGGB, BGGR, GRBG, GBRG is needed")
    done = command("camera", "measure", bench / "flats", bench / "bias", "--out", bench / "flats" / "x")
    assert done.code == 2
    assert "lies inside the raw folder" in done.line
    assert "missing argument 'BIAS'" in command("camera", "measure", bench / "flats").line
    done = command("camera", "measure", "--help")
    assert "FLATS" in done.out
    assert not any(word in done.out for word in ("<bool>", "<str>", "TEXT", "DIRECTORY"))


def test_no_folder_that_holds_raw_frames_takes_results(command, bench, tmp_path, untouched):
    """Nor where they were not named: flats copied elsewhere, and OUT the folder that they came from."""
    some(bench, tmp_path, "flats")
    with untouched(tmp_path):
        done = command("camera", "measure", bench / "flats", bench / "bias", "--out", tmp_path / "flats")
        above = command("camera", "measure", bench / "flats", bench / "bias", "--out", tmp_path)
    assert (done.code, above.code) == (2, 2)
    assert f"{tmp_path / 'flats'}: lies inside the raw folder" in done.line
    assert f"{tmp_path}: holds the raw folder {tmp_path / 'flats'}" in above.line


def test_a_file_is_no_folder_for_a_profile(command, bench, tmp_path):
    (tmp_path / "a.txt").write_text("mine", encoding="utf-8")
    done = command("camera", "measure", bench / "flats", bench / "bias", "--out", tmp_path / "a.txt")
    assert (done.code, done.line) == (2, f"{tmp_path / 'a.txt'}: is a file; name a folder for the profile")
    assert (tmp_path / "a.txt").read_text(encoding="utf-8") == "mine"
