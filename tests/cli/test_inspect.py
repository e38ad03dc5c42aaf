"""The inspect command."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import typer
from astropy.io import fits
from rich.console import Console
from typer.testing import CliRunner

from fourlight.cli.inspect import inspect
from fourlight.errors import InputError

REAL = Path(__file__).parents[1] / "authorities" / "real_pair"

app = typer.Typer()
app.command()(inspect)


def run(*words: str | Path, fails: bool = False, width: int = 140) -> str:
    """What is said in a terminal so many letters wide."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("fourlight.cli.listing._screen", lambda: Console(width=width))
        result = CliRunner().invoke(app, [str(word) for word in words])
    assert isinstance(result.exception, InputError) is fails, result.exception
    return result.stdout


def put(path: Path, **cards: Any) -> None:
    image = np.random.default_rng(8).integers(900, 1100, (64, 96)).astype(np.uint16)
    unit = fits.PrimaryHDU(image)
    unit.header.update({name.replace("_", "-"): value for name, value in cards.items()})
    path.parent.mkdir(parents=True, exist_ok=True)
    unit.writeto(path)


@pytest.fixture
def nights(tmp_path: Path) -> Path:
    common: dict[str, Any] = {"BAYERPAT": "RGGB", "GAIN": 100, "SITELONG": 10.0, "SITELAT": 47.0}
    for n in range(3):
        name = tmp_path / "n1" / f"l{n}.fits"
        put(
            name,
            IMAGETYP="Light",
            EXPTIME=180.0,
            CCD_TEMP=-10.0 - n,
            DATE_OBS=f"2031-03-04T2{n}:00:00",
            **common,
        )
        put(
            tmp_path / "n1" / f"d{n}.fits",
            IMAGETYP="Dark",
            EXPTIME=180.0,
            CCD_TEMP=-20.0 + 10 * (n > 1),
            **common,
        )
    (tmp_path / "n1" / "broken.fits").write_bytes(b"no frame" * 100)
    return tmp_path


def test_table_groups_and_set_aside(nights: Path) -> None:
    text = run(nights)
    lines = [" ".join(line.split()) for line in text.splitlines()]
    assert "2031-03-04 light header 180 s 100 -12 to -10 C RGGB 96 x 64 3" in lines
    assert "- dark header 180 s 100 -20 C RGGB 96 x 64 2" in lines
    assert "- dark header 180 s 100 -10 C RGGB 96 x 64 1" in lines
    assert "3 lights, 3 darks; 1 night with lights" in lines
    assert any(
        line.startswith("set aside:") and "broken.fits" in line and "not a FITS file" in line
        for line in lines
    )
    assert not any("no date" in line for line in lines), "the night of a dark does not matter"


def test_json_holds_every_frame(nights: Path) -> None:
    document = json.loads(run(nights, "--json"))
    assert len(document["frames"]) == 6
    light = next(frame for frame in document["frames"] if frame["path"].endswith("l0.fits"))
    assert light["role"] == "light"
    assert light["time"] == "2031-03-04T20:00:00+00:00"
    assert light["gain_setting"] == 100
    assert [item["reason"].split(" (")[0] for item in document["set_aside"]] == ["not a FITS file"]


def test_the_contradiction_of_the_real_pair_is_shown() -> None:
    assert "GBRG (pixels); FILTER says RGGB" in run(REAL)
    document = json.loads(run(REAL, "--json"))
    (mosaic,) = document["mosaics"].values()
    assert (mosaic["pattern"], mosaic["stated"]) == ("GBRG", "RGGB")


def test_a_camera_is_called_so_in_the_line_of_its_mosaic(raw: Path) -> None:
    """Some headers hold a word there that says nothing by itself."""
    for path in raw.iterdir():
        fits.setval(path, "INSTRUME", value="DEVICE")
    assert "mosaic of camera DEVICE, 240 x 180: RGGB" in run(raw)


def test_inspect_and_run_call_a_missing_folder_alike(
    command: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "empty").mkdir()
    for name in ("no such", "empty"):
        seen, done = command("inspect", name), command("run", name, "--out", "out")
        assert (seen.code, done.code) == (2, 2)
        assert seen.line == done.line
        assert str(tmp_path / name) in seen.line


def test_nothing_found_is_one_line(tmp_path: Path) -> None:
    run(tmp_path, fails=True)
    (tmp_path / "a.fits").write_bytes(b"")
    assert "zero bytes" in run(tmp_path, fails=True)
    assert InputError.exit_code == 2


def test_copies_and_mono_frames_are_told(command: Any, raw: Path, untouched: Any) -> None:
    """What a run sets aside (tests/pipeline/test_bad_input.py) is known beforehand, in words and as JSON."""
    shutil.copy(raw / "light_0001.fits", raw / "copy.fits")
    with fits.open(raw / "light_0002.fits") as file:
        file[0].header["DATE-OBS"] = "2031-08-14T23:59:00"
        image = file[0].data.astype(np.float32)
        cells = image[: image.shape[0] // 2 * 2, : image.shape[1] // 2 * 2]
        mean = (cells[::2, ::2] + cells[1::2, ::2] + cells[::2, 1::2] + cells[1::2, 1::2]) / 4
        noise = np.random.default_rng(5).normal(0, 5, image.shape)
        file[0].data = np.rint(np.kron(mean, np.ones((2, 2))) + noise).astype(np.uint16)
        file.writeto(raw / "mono.fits")
    with untouched(raw):
        done = command("inspect", raw)
        document = json.loads(command("inspect", raw, "--json").out)
    said = " ".join(done.out.split())
    assert "set aside: copy.fits: a copy of light_0001.fits; each exposure counts once" in said
    assert "set aside: mono.fits: no mosaic shows in its stars and sky" in said
    problems = {Path(frame["path"]).name: frame["problems"] for frame in document["frames"]}
    assert [name for name, told in problems.items() if told] == ["copy.fits", "mono.fits"]


def test_copies_without_a_date_are_told(tmp_path: Path) -> None:
    put(tmp_path / "a.fits", IMAGETYP="Bias")
    shutil.copy(tmp_path / "a.fits", tmp_path / "b.fits")
    assert "set aside: b.fits: a copy of a.fits" in run(tmp_path, fails=True)


@pytest.mark.parametrize("width", [60, 80, 100, 140])
def test_no_cell_is_cut_whatever_the_width(nights: Path, width: int) -> None:
    for n in range(3):
        fits.setval(nights / "n1" / f"l{n}.fits", "FILTER", value="dual narrow 7 nm")
        fits.setval(nights / "n1" / f"d{n}.fits", "FILTER", value="dual narrow 7 nm")
    text = run(nights, width=width)
    assert "…" not in text
    assert all(len(line) <= width for line in text.splitlines())
    said = " ".join(text.split())
    for words in ("dual narrow 7 nm", "-12 to -10 C", "RGGB", "96 x 64", "180 s", "light", "header"):
        assert words in said
    assert ("all of them: size 96 x 64" in said) is (width < 90)


def test_no_line_is_broken_where_there_is_no_terminal(
    nights: Path, monkeypatch: pytest.MonkeyPatch, command: Any
) -> None:
    for n in range(3):
        fits.setval(nights / "n1" / f"l{n}.fits", "FILTER", value="dual narrow 7 nm")
    monkeypatch.setenv("COLUMNS", "40")
    lines = command("inspect", nights).out.splitlines()
    (light,) = [line for line in lines if "  light  " in line]
    for words in ("2031-03-04", "dual narrow 7 nm", "-12 to -10 C", "RGGB", "96 x 64"):
        assert words in light
    (aside,) = [line for line in lines if line.startswith("set aside: broken.fits")]
    assert aside.endswith("copy it again from the camera")
    assert len(aside) > 100


def problems(folder: Path, *, fails: bool = False) -> list[str]:
    """The lines under "problems", which the JSON document holds too."""
    text = run(folder, fails=fails, width=1000)
    said = json.loads(run(folder, "--json", fails=fails))["problems"]
    assert isinstance(said, list)
    assert text.split("problems\n")[1].splitlines() == said if said else "problems\n" not in text
    return said


def test_nothing_odd_is_no_problem(small_night: Path) -> None:
    assert problems(small_night) == ["calibration: no dark applied, no flat applied"]


def test_darks_that_match_no_light_are_told(raw: Path) -> None:
    """In the words of the run: alone, with bias frames, and beside darks that match."""
    for n in range(3):
        put_dark(raw / f"d{n}.fits", "Dark", 60.0)
    _, left_out = problems(raw)
    assert left_out.startswith(
        "to know: 3 darks (60 s, -10 C) left out: the lights are 180 s long, and without bias frames"
    )
    put_dark(raw / "b.fits", "Bias", 0.0)
    lacking, scaled = problems(raw)
    assert lacking == "calibration: no flat applied"
    assert scaled.startswith(
        "to know: 3 darks (60 s, -10 C) scaled by 3 to the 180 s of the lights, bias taken off first"
    )
    put_dark(raw / "e.fits", "Dark", 180.0)
    assert problems(raw) == [
        "calibration: no flat applied",
        "to know: 3 darks (60 s, -10 C) not used: the lights (180 s) have darks that fit better",
    ]
    for path in raw.glob("[bde]*.fits"):
        fits.setval(path, "GAIN", value=200)
    assert "to know: 1 dark (180 s, -10 C) left out: gain 200 instead of 100" in problems(raw)


def put_dark(path: Path, role: str, exposure_s: float) -> None:
    image = np.random.default_rng(len(path.name) + int(exposure_s)).normal(500, 3, (180, 240))
    unit = fits.PrimaryHDU(np.rint(image).astype(np.uint16))
    when = {"DATE-OBS": f"2031-08-14T1{int(exposure_s) % 7}:0{ord(path.name[1]) % 10}:00"}
    unit.header.update({"IMAGETYP": role, "EXPTIME": exposure_s, "CCD-TEMP": -10.0, "GAIN": 100, **when})
    unit.writeto(path)


def test_what_a_run_would_not_say_by_itself_is_told(raw: Path) -> None:
    """Lights of two exposures, one without a date, one with a gain that cannot be read, one of another size."""
    fits.setval(raw / "light_0001.fits", "EXPTIME", value=60.0)
    fits.delval(raw / "light_0002.fits", "DATE-OBS")
    (raw / "n2").mkdir()
    with fits.open(raw / "light_0004.fits") as file:
        file[0].header["GAIN"] = "abc"
        file.writeto(raw / "n2" / "light_0003.fits")
        fits.PrimaryHDU(file[0].data[:100], file[0].header).writeto(raw / "small.fits")
        fits.setval(raw / "small.fits", "GAIN", value=100)
    said = problems(raw)
    assert "to know: light_0002.fits: no date that can be read, so the night is not known" in said
    assert any(
        line.startswith("to know: the lights differ in exposure (3 of 180 s, 1 of 60 s)") for line in said
    )
    assert any(line.startswith("to know: the lights are of 3 kinds") for line in said)
    assert (
        sum(line.startswith("set aside: small.fits: size 240 x 100 instead of 240 x 180") for line in said)
        == 1
    )
    (odd,) = [line for line in said if "GAIN card" in line]
    assert odd.startswith("set aside: n2/light_0003.fits: GAIN card 'abc' not readable inst"), "once"


def test_lights_without_any_date_are_of_no_known_night(raw: Path) -> None:
    for path in raw.iterdir():
        fits.delval(path, "DATE-OBS")
    assert "4 lights; no night known" in run(raw)
    _, line = problems(raw)
    assert line.startswith(
        "to know: light_0001.fits, light_0002.fits, light_0003.fits, light_0004.fits: no date"
    )
