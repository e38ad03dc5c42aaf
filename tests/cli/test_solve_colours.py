"""What `fourlight solve` and `fourlight run` say of star colours, and one line for what cannot be used."""

from __future__ import annotations

import json
import shutil

import pytest
from astropy.io import fits

from fourlight.pipeline.run import run
from fourlight.recipe import Recipe, with_settings
from sky_lights import write_lights

QUICK = ["evidence.channels=false", "evidence.claims=false"]


@pytest.fixture(scope="module")
def finished(tmp_path_factory):
    folder = tmp_path_factory.mktemp("sky")
    write_lights(folder / "raw")
    run([folder / "raw"], folder / "out", with_settings(Recipe(), [*QUICK, "sky.solve=off"]))
    return folder


@pytest.fixture
def out(finished, tmp_path):
    shutil.copytree(finished / "out", tmp_path / "out")
    return tmp_path / "out"


def test_solve_calibrates_colours_of_a_run_that_did_not(command, out):
    assert "colour" not in json.loads((out / "summary.json").read_text())
    done = command("solve", out, "--camera", "bsi-8mp", "--filter", "uv-ir-cut", "--white", 0.3)
    assert done.code == 0, done.err
    for word in ("mosaic", "zero points", "limits", "white", "sky"):
        assert word in done.err + done.out
    summary = json.loads((out / "summary.json").read_text())
    assert summary["colour"]["camera"] == "bsi-8mp"
    assert summary["colour"]["white"]["b_v"] == 0.3
    assert "WHITE_R" in fits.getheader(out / "stack.fits", 0)
    again = command("solve", out, "--json")
    assert again.code == 0
    assert json.loads(again.out)["colour"]["camera"] is None
    header = fits.getheader(out / "stack.fits", 0)
    assert header["WHITE_BV"] == 0.653
    assert len([name for name in header if name == "WHITE_BV"]) == 1


def test_a_filter_other_than_that_of_the_header_is_told(command, out):
    """`write_lights` names none; the notes of colours hold which is used."""
    summary = json.loads((out / "summary.json").read_text())
    for frame in summary["frames"]:
        frame["filter"] = "Dual 7nm"
    (out / "summary.json").write_text(json.dumps(summary))
    done = command("solve", out, "--camera", "bsi-8mp", "--filter", "uv-ir-cut", "--json")
    assert done.code == 0, done.err
    (said,) = [note for note in json.loads(done.out)["colour"]["notes"] if "header names" in note]
    assert "another filter (Dual 7nm): colours are told as through uv-ir-cut" in said
    assert "another filter (Dual 7nm)" in done.err
    assert any(
        "through uv-ir-cut" in note and "header" in note for note in json.loads(done.out)["colour"]["notes"]
    )
    done = command("solve", out, "--filter", "dual-7nm", "--json")
    assert not [note for note in json.loads(done.out)["colour"]["notes"] if "header names" in note]


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--camera", "bsi-8m"), "did you mean bsi-8mp?"),
        (("--filter", "dual-7"), "did you mean dual-7nm?"),
        (("--camera", "curves.csv"), "cannot be read as curves of a camera"),
        (("--white", 2.5), "--white 2.5: B-V of a star is needed, -0.3 to 1.4"),
    ],
)
def test_unknown_names_are_told_in_a_line(command, out, options, words):
    done = command("solve", out, *options)
    assert done.code == 2
    assert words in done.line


@pytest.mark.parametrize(
    ("setting", "words"),
    [
        ("gear.camera=bsi8", "did you mean bsi-8mp?"),
        ("gear.filter=trib", "did you mean tri-band?"),
        ("sky.place=north", "no place on the sky"),
        ("sky.white_b_v=9", "1.4"),
    ],
)
def test_a_run_refuses_them_before_any_work(command, finished, tmp_path, setting, words):
    done = command("run", finished / "raw", "--out", tmp_path / "new", "--set", setting)
    assert done.code == 2
    assert words in done.line
    assert not (tmp_path / "new" / "stack.fits").exists()


def test_a_place_that_is_wrong_costs_the_run_nothing(command, finished, tmp_path):
    """The other side of the sky: no solution there, which the page tells; the stack is made."""
    settings = [part for one in (*QUICK, "sky.place=263.4,-21.8") for part in ("--set", one)]
    done = command("run", finished / "raw", "--out", tmp_path / "new", *settings)
    assert done.code == 0, done.err
    summary = json.loads((tmp_path / "new" / "summary.json").read_text())
    assert "sky" not in summary
    assert summary["sky_problem"].startswith("the place on the sky was not found")
    page = (tmp_path / "new" / "report.html").read_text(encoding="utf-8")
    assert "fourlight solve" in page
    assert "CTYPE1" not in fits.getheader(tmp_path / "new" / "stack.fits", 1)


def test_nothing_is_said_where_nothing_names_a_place(command, tmp_path):
    write_lights(tmp_path / "raw", place=False)
    settings = [part for one in QUICK for part in ("--set", one)]
    assert command("run", tmp_path / "raw", "--out", tmp_path / "out", *settings).code == 0
    summary = json.loads((tmp_path / "out" / "summary.json").read_text())
    assert {"sky", "colour", "sky_problem"}.isdisjoint(summary)


def test_colours_that_fail_cost_the_run_nothing(finished, tmp_path, monkeypatch):
    """A fault in the calibration: stack, coordinates and page are made, and the page says what is missing."""

    def broken(*_, **__):
        raise ZeroDivisionError("of all things")

    monkeypatch.setattr("fourlight.pipeline.on_sky.coloured", broken)
    summary = run([finished / "raw"], tmp_path / "out", with_settings(Recipe(), QUICK))
    assert summary["sky"]["stars"] > 20
    assert "of all things" in summary["colour"]["problem"]
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "Not calibrated: the colour calibration could not be made" in page
    assert fits.getheader(tmp_path / "out" / "stack.fits", 1)["CTYPE1"].startswith("RA---TAN")


def test_full_stars_alone_are_told_and_the_place_is_kept(command, out):
    """Samples that are full at a level below every star of the catalogue."""
    path = out / "summary.json"
    summary = json.loads(path.read_text())
    for plane in summary["planes"].values():
        plane["full"] = plane["sky"] + 1.0
    path.write_text(json.dumps(summary))
    done = command("solve", out)
    assert done.code == 0, done.err
    assert "expose shorter" in done.err + done.out
    found = json.loads(path.read_text())
    assert found["sky"]["stars"] > 20
    assert found["colour"]["stars"]["full"] > 20
    assert not (out / "figures" / "star-colours.png").exists()
