"""``fourlight lines``: what it says, and one line where it cannot."""

from __future__ import annotations

import json
import shutil

import numpy as np
import pytest
from astropy.io import fits

from fourlight.pipeline.run import run
from fourlight.recipe import Recipe
from plain_runs import PLAINLY

DUAL = ("--camera", "bsi-8mp", "--filter", "dual-7nm")


@pytest.fixture(scope="module")
def finished(small_night, tmp_path_factory):
    folder = tmp_path_factory.mktemp("finished")
    run([small_night], folder / "out", Recipe())
    return folder / "out"


@pytest.fixture
def out(finished, tmp_path):
    shutil.copytree(finished, tmp_path / "out")
    return tmp_path / "out"


def test_tells_lines_and_what_is_not_identifiable(command, out):
    done = command("lines", out, *DUAL, "--f-ratio", "5", "--json")
    assert done.code == 0, done.err
    found = json.loads(done.out)
    assert found == json.loads((out / "lines.json").read_text())
    (said,) = [note for note in found["notes"] if note.startswith("Continuum cannot be told")]
    assert "--broadband OUT" in said
    assert found["f_ratio"] == 5.0
    assert "one standard deviation" in done.err
    assert "Green brings" in done.err


def test_the_users_own_curves_are_taken(command, out, tmp_path):
    rows = [
        f"{w},{w / 800:.3f},{0.9 - abs(w - 540) / 250:.3f},{max(0.8 - abs(w - 450) / 150, 0.02):.3f}"
        for w in range(400, 701, 10)
    ]
    (tmp_path / "mine.csv").write_text("\n".join(["nm,red,green,blue", *rows]))
    done = command("lines", out, "--camera", tmp_path / "mine.csv", "--filter", "dual-3nm", "--error", "3")
    assert done.code == 0, done.err
    facts = json.loads((out / "lines.json").read_text())
    assert facts["camera"] == "mine"
    assert facts["kinds"]["halpha"]["per_photon"] > 0


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--camera", "bsi-8pm", "--filter", "dual-7nm"), "did you mean bsi-8mp?"),
        (("--camera", "bsi-8mp", "--filter", "dual-7mn"), "did you mean dual-7nm?"),
        (("--camera", "gone.csv", "--filter", "dual-7nm"), "gone.csv: cannot be read as curves of a camera"),
        (
            ("--camera", "bsi-8mp", "--filter", "gone.csv"),
            "gone.csv: cannot be read as the curve of a filter",
        ),
        ((*DUAL, "--broadband-filter", "none"), "goes with --broadband OUT2"),
        ((*DUAL, "--transmission", "1.5"), "a share above 0 and at most 1"),
        ((*DUAL, "--transmission", "0.7"), "quantum efficiencies of the camera"),
        ((*DUAL, "--nii", "-1"), "nii -1: 0 to 6 is needed, photons of [NII] 658.3 per photon of Hα"),
        ((*DUAL, "--nii", "9"), "nii 9: 0 to 6 is needed"),
        ((*DUAL, "--nii", "9"), "Riesgo & Lopez 2006"),
        ((*DUAL, "--reddening", "-1"), "reddening_mag -1: 0 to 10 is needed"),
        ((*DUAL, "--reddening", "25"), "reddening_mag 25: 0 to 10 is needed"),
        ((*DUAL, "--f-ratio", "0.1"), "an f-ratio of at least 0.7"),
        ((*DUAL, "--obstruction", "0.3"), "goes with --f-ratio"),
        ((*DUAL, "--broadband", "nowhere"), "name the OUT of a finished run"),
    ],
)
def test_what_cannot_be_is_refused_in_one_line(command, out, words, said):
    before = sorted(path.name for path in out.iterdir())
    done = command("lines", out, *words)
    assert done.code == 2
    assert said in done.line
    assert sorted(path.name for path in out.iterdir()) == before


def test_a_stack_is_no_broadband_stack_of_itself(command, out):
    done = command("lines", out, *DUAL, "--broadband", out)
    assert done.code == 2
    assert "is the stack with the lines itself" in done.line


def test_a_filter_without_lines_is_refused(command, out, tmp_path):
    rows = "\n".join(f"{w},{0.9 if 540 <= w <= 560 else 0.0}" for w in range(400, 701, 5))
    (tmp_path / "green.csv").write_text("nm,transmission\n" + rows)
    done = command("lines", out, "--camera", "bsi-8mp", "--filter", tmp_path / "green.csv")
    assert done.code == 2
    assert "passes none of Hα" in done.line


def test_curves_that_do_not_reach_a_line_are_refused(command, out, tmp_path):
    rows = [f"{w},0.1,{0.9 - abs(w - 540) / 250:.3f},0.3" for w in range(400, 641, 10)]
    (tmp_path / "short.csv").write_text("\n".join(["nm,red,green,blue", *rows]))
    done = command("lines", out, "--camera", tmp_path / "short.csv", "--filter", "dual-7nm")
    assert done.code == 2
    assert "its curve runs from 400 to 640 nm" in done.line


def test_a_folder_without_results_is_refused(command, tmp_path):
    done = command("lines", tmp_path, *DUAL)
    assert done.code == 2
    assert "name the OUT of a finished run" in done.line
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ("mono", "has no plane G, B"),
        ("empty", "its plane B holds no pixel"),
        ("apart", "no pixel holds red, green and blue"),
    ],
)
def test_stacks_that_lack_a_colour_are_said(command, out, change, said):
    with fits.open(out / "stack.fits") as units:
        kept = [
            unit.copy()
            for unit in units
            if not (change == "mono" and unit.name.rpartition("_")[2] in ("G", "B"))
        ]
        half = units["R"].data.shape[1] // 2
    for unit in kept:
        if unit.name == "B" and change == "empty":
            unit.data[:] = np.nan
        if change == "apart" and unit.name in ("R", "B"):
            unit.data[:, slice(None, half) if unit.name == "B" else slice(half, None)] = np.nan
    fits.HDUList(kept).writeto(out / "stack.fits", overwrite=True)
    done = command("lines", out, *DUAL)
    assert done.code == 2
    assert said in done.line
    assert not (out / "lines.fits").exists()


def test_a_run_refuses_names_that_are_wrong_before_it_begins(command, small_night, tmp_path):
    for setting, said in (
        ("gear.camera=bsi-8pm", "did you mean bsi-8mp?"),
        ("gear.filter=dual-7mn", "did you mean dual-7nm?"),
        ("lines.camera=bsi-8mp", "did you mean gear.camera?"),
        ("sky.camera=bsi-8mp", "did you mean gear.camera?"),
        ("sky.filter=dual-7nm", "did you mean read.filter or gear.filter?"),
    ):
        done = command("run", small_night, "--out", tmp_path / "new", "--set", setting)
        assert done.code == 2
        assert said in done.line
        assert not (tmp_path / "new").exists()


def test_a_run_takes_the_filter_that_headers_name(command, raw, small_night, tmp_path):
    """One for lines, or one that is none: then a camera is named for colours of stars, and nobody asks for lines."""
    for path in raw.glob("*.fits"):
        fits.setval(path, "FILTER", value="Dual 7nm")
    for lights, told in ((raw, True), (small_night, False)):
        out = tmp_path / f"lines {told}"
        done = command("run", lights, "--out", out, *PLAINLY, "--set", "gear.camera=bsi-8mp")
        assert done.code == 0, done.err
        assert (out / "lines.json").exists() == told
    assert json.loads((tmp_path / "lines True" / "lines.json").read_text())["filter"] == "dual-7nm"
    done = command(
        "run",
        raw,
        "--out",
        tmp_path / "off",
        *PLAINLY,
        "--set",
        "gear.camera=bsi-8mp",
        "--set",
        "lines.tell=off",
    )
    assert done.code == 0, done.err
    assert not (tmp_path / "off" / "lines.json").exists()


def test_a_run_with_own_curves_can_be_made_again_from_anywhere(command, small_night, tmp_path, monkeypatch):
    rows = [f"{w},{w / 800:.3f},{0.9 - abs(w - 540) / 250:.3f},0.2" for w in range(400, 701, 10)]
    (tmp_path / "mine.csv").write_text("\n".join(["nm,red,green,blue", *rows]))
    monkeypatch.chdir(tmp_path)
    chosen = ("--set", "gear.camera=mine.csv", "--set", "gear.filter=dual-wide")
    assert command("run", small_night, "--out", "new", *PLAINLY, *chosen).code == 0
    monkeypatch.chdir(tmp_path / "new")
    done = command("run", "--again", tmp_path / "new" / "provenance.json", "--out", tmp_path / "again")
    assert done.code == 0, done.err
    first, again = ((tmp_path / name / "lines.fits").read_bytes() for name in ("new", "again"))
    assert first == again


def test_a_run_whose_filter_is_not_known_is_finished_without_lines(command, raw, tmp_path):
    for path in raw.glob("*.fits"):
        fits.setval(path, "FILTER", value="mystery")
    done = command("run", raw, "--out", tmp_path / "new", *PLAINLY, "--set", "gear.camera=bsi-8mp")
    assert done.code == 0, done.err
    assert (tmp_path / "new" / "stack.fits").exists()
    assert not (tmp_path / "new" / "lines.fits").exists()
    told = json.loads((tmp_path / "new" / "summary.json").read_text())["to_know"]
    (said,) = [one for one in told if "the separation of lines could not be made" in one]
    assert "mystery" in said
    assert "gear.filter" in said
