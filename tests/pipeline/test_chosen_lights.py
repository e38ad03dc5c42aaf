"""Lights on which the recipe decides: what a run leaves out, uses against its own judgement, and records."""

from __future__ import annotations

import json

import numpy as np
import pytest
from astropy.io import fits

from fourlight.errors import InputError, RecipeError
from fourlight.pipeline.again import recorded
from fourlight.pipeline.marks import Marks, with_marks
from fourlight.pipeline.run import run
from fourlight.provenance import load
from fourlight.recipe import Recipe, loads, with_settings
from fourlight.simulate.render import simulate
from fourlight.simulate.scene import loads as scene
from plain_runs import PLAIN

SCENE = """
seed = 23
[camera]
width_px = 240
height_px = 180
[stars]
count = 90
cluster_count = 0
[[nights]]
count = 6
trailed = [3]
trailed_arcsec = 10.0
"""
# with a gain that is told, no number of a light depends on which others there are
TOLD = with_settings(
    Recipe(),
    [*PLAIN, "read.gain_e_per_adu=0.8", "read.read_noise_e=1.5"],
)


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    folder = tmp_path_factory.mktemp("chosen") / "sim"
    simulate(scene(SCENE), folder)
    return folder / "night1"


@pytest.fixture(scope="module")
def names(night):
    return [path.name for path in sorted(night.glob("*.fits"))]


@pytest.fixture(scope="module")
def decided(night, names, tmp_path_factory):
    """OUT of a run that leaves the second light out and uses the third one, which is trailed."""
    out = tmp_path_factory.mktemp("decided") / "out"
    recipe = loads(f'[lights]\nleave_out = {{"{names[1]}" = "an aeroplane"}}\nuse = ["{names[2]}"]')
    run([night], out, TOLD.model_copy(update={"lights": recipe.lights}))
    return out


def facts(out):
    return json.loads((out / "summary.json").read_text())


def test_lights_are_left_out_with_the_users_reason_and_measured_all_the_same(decided, names):
    (aside,) = facts(decided)["set_aside"]
    assert (aside["file"], aside["stage"]) == (names[1], "lights")
    assert aside["reason"] == "left out by hand: an aeroplane"
    assert aside["measured"]["stars"] > 10


def test_a_light_that_measurement_speaks_against_is_used_and_that_is_told(decided, names):
    found = facts(decided)
    (trailed,) = [frame for frame in found["frames"] if frame["file"] == names[2]]
    assert "trailed" in trailed["flags"]
    assert any(names[2] in said and "trailed: stars" in said for said in found["to_know"])


def test_without_a_decision_measurement_decides_and_the_pixels_are_those_without_the_light(
    night, names, decided, tmp_path
):
    """Leaving a light out is the same as never having had it: no number of another light changes."""
    run([path for path in sorted(night.glob("*.fits")) if path.name != names[1]], tmp_path / "out", TOLD)
    (aside,) = facts(tmp_path / "out")["set_aside"]
    assert (aside["file"], aside["stage"]) == (names[2], "judge")
    leave = loads(f'[lights.leave_out]\n"{names[1]}" = "an aeroplane"').lights
    run([night], tmp_path / "left", TOLD.model_copy(update={"lights": leave}))
    for plane in ("R", "G1", "G2", "B"):
        one, other = (fits.getdata(tmp_path / name / "stack.fits", plane) for name in ("out", "left"))
        np.testing.assert_array_equal(one, other)
    with_it = fits.getdata(decided / "stack.fits", "G1")
    assert not np.array_equal(one, with_it)


def test_the_record_names_lights_in_full_and_makes_the_same_pixels_again(decided, night, names, tmp_path):
    past = recorded(decided / "provenance.json")
    assert past.recipe.lights.leave_out == {str(night / names[1]): "an aeroplane"}
    assert past.recipe.lights.use == (str(night / names[2]),)
    run(past.searched, tmp_path / "again", past.recipe, None, set(past.inputs), past.not_read)
    for plane in ("R", "B"):
        one, other = (fits.getdata(out / "stack.fits", plane) for out in (decided, tmp_path / "again"))
        np.testing.assert_array_equal(one, other)


def test_marks_of_the_page_go_into_the_next_run(night, names, decided, tmp_path):
    """Taken off on the page, a light that was left out comes back; the raw folder is not written to."""
    marks = Marks(decided)
    before = sorted(path.name for path in night.iterdir())
    marks.put([str(night / names[1])], "none")
    marks.put([str(night / names[3])], "leave", "dew")
    try:
        recipe = with_marks(decided, load(decided / "provenance.json").recipe)
    finally:
        (decided / "marks.toml").unlink()
    assert recipe.lights.leave_out == {str(night / names[3]): "dew"}
    assert recipe.lights.use == (str(night / names[2]),)
    assert sorted(path.name for path in night.iterdir()) == before


def test_names_that_mean_nothing_or_several_are_told(night, names, tmp_path):
    lights = loads('[lights]\nleave_out = {"gone.fits" = "fog"}\nuse = ["also_gone.fits"]').lights
    found = run([night], tmp_path / "out", TOLD.model_copy(update={"lights": lights}))
    said = " ".join(found["to_know"])
    assert "'gone.fits', and no light is called so" in said
    assert "'also_gone.fits', and no light is called so" in said


def test_too_few_lights_are_refused_with_the_users_reasons(night, names, tmp_path):
    leave = ", ".join(f'"{name}" = "fog"' for name in names[1:])
    lights = loads(f"[lights]\nleave_out = {{{leave}}}").lights
    with pytest.raises(InputError, match="left out by hand: fog"):
        run([night], tmp_path / "out", TOLD.model_copy(update={"lights": lights}))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('leave_out = {"a.fits" = " "}', "must be text"),
        ('leave_out = {"a.fits" = "fog"}\nuse = ["a.fits"]', "left out and used"),
        ('leave_out = ["a.fits"]', "lights.leave_out"),
        ('leave_out = {"a.fits" = 3}', "must be text"),
        ("use = [3]", "must be text"),
    ],
)
def test_decisions_that_cannot_be_understood_are_refused(text, said):
    with pytest.raises(RecipeError, match=said):
        loads(f"[lights]\n{text}")
