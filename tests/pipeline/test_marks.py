"""Marks on lights: recipe text beside the results, taken back one after the other."""

from __future__ import annotations

import json
import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fourlight.errors import InputError, RecipeError
from fourlight.pipeline.marked_lights import MarkedLights
from fourlight.pipeline.marks import FILE, Marks, lights_toml, with_marks
from fourlight.recipe import Recipe, loads
from fourlight.recipe_lights import Lights
from web_results import write_lights

PRINTED = st.text(st.characters(exclude_categories=("Cs", "Cc")), min_size=1, max_size=40)


def record(out, lights=None):
    recipe = Recipe(lights=lights or Lights())
    facts = {"inputs": {}, "searched": [], "steps": [], "recipe": recipe.model_dump()}
    (out / "provenance.json").write_text(json.dumps(facts))


@settings(deadline=None)
@given(
    st.dictionaries(PRINTED, PRINTED.filter(str.strip), max_size=4),
    st.lists(PRINTED, unique=True, max_size=3),
)
def test_every_name_and_reason_comes_back_from_the_recipe(leave, use):
    """TOML 1.0.0 (toml.io), basic strings: what is written is what a reader of TOML finds."""
    lights = Lights(leave_out=leave, use=tuple(name for name in use if name not in leave))
    text = lights_toml(lights)
    assert tomllib.loads(text)["lights"]["leave_out"] == lights.leave_out
    assert loads(text).lights == lights


def test_a_mark_is_written_and_taken_back_and_made_again(tmp_path):
    record(tmp_path)
    marks = Marks(tmp_path)
    marks.put(["/n/a.fits", "/n/b.fits"], "leave", "  thin \n cloud ")
    marks.put(["/n/b.fits"], "use")
    assert marks.now() == Lights(leave_out={"/n/a.fits": "thin cloud"}, use=("/n/b.fits",))
    assert with_marks(tmp_path, Recipe()).lights == marks.now()
    marks.undo()
    assert marks.now().leave_out == {"/n/a.fits": "thin cloud", "/n/b.fits": "thin cloud"}
    marks.undo()
    marks.undo()
    assert marks.now() == Lights()
    assert marks.facts()["waiting"] == []
    marks.redo()
    assert sorted(marks.facts()["waiting"]) == ["/n/a.fits", "/n/b.fits"]
    marks.put(["/n/a.fits"], "none")
    assert not marks.facts()["redo"], "another change ends what can be made again"


def test_marks_that_the_stack_has_do_not_wait(tmp_path):
    record(tmp_path, Lights(leave_out={"/n/a.fits": "fog"}))
    marks = Marks(tmp_path)
    assert marks.facts()["marks"] == {"/n/a.fits": ["leave", "fog"]}
    assert marks.facts()["waiting"] == []
    assert not (tmp_path / FILE).exists(), "looking writes nothing"
    marks.put(["/n/a.fits"], "none")
    assert marks.facts()["waiting"] == ["/n/a.fits"]


@pytest.mark.parametrize("reason", ["", "  ", "x" * 201, "a\x07bell"])
def test_a_reason_is_needed_and_bounded(tmp_path, reason):
    with pytest.raises(InputError, match="reason"):
        Marks(tmp_path).put(["/n/a.fits"], "leave", reason)
    assert not (tmp_path / FILE).exists()


def test_names_and_files_that_cannot_be_used_are_told(tmp_path):
    with pytest.raises(InputError, match="rename its file"):
        Marks(tmp_path).put(["/n/m\udce9.fits"], "leave", "fog")
    (tmp_path / FILE).write_text("[lights]\nuse = 3")
    with pytest.raises(RecipeError, match="must be a list"):
        Marks(tmp_path).facts()


def test_only_what_means_something_is_marked(tmp_path):
    out = write_lights(tmp_path / "results", 24)
    record(out)
    lights = MarkedLights(out)
    rows = lights.facts()["lights"]
    trailed = [k for k, row in enumerate(rows) if row["reason"]]
    done = lights.put(lights.facts()["version"], [0, 1, *trailed], "leave", "fog")
    assert done["passed_over"] == len(trailed) == 2
    assert set(done["marks"]["lights"]) == {0, 1}
    done = lights.put(lights.facts()["version"], [0, *trailed], "use")
    assert done["passed_over"] == 1
    assert done["marks"]["lights"][trailed[0]] == ["use", "", True]
    with pytest.raises(InputError, match="have no mark"):
        lights.put(lights.facts()["version"], [5], "none")
    assert lights.put("old", [0], "none") is None
