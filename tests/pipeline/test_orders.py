"""Orders of the page do what the commands do: on a small night, the first of them in a process of its own."""

from __future__ import annotations

import json
import shutil
import time

import pytest

from fourlight.errors import InputError
from fourlight.pipeline.jobs import Jobs
from fourlight.pipeline.marks import Marks
from fourlight.pipeline.orders import (
    AddNights,
    MakeDemo,
    MakePicture,
    MeasureChannels,
    RunAgain,
    RunNights,
    WeighClaims,
)
from fourlight.pipeline.shown_picture import settings_now
from fourlight.provenance import load
from fourlight.recipe import Recipe, with_settings
from fourlight.recipe_finish import Finish
from fourlight.stages.finish import STEPS

RECIPE = with_settings(Recipe(), ["evidence.channels=false", "evidence.claims=false"]).model_dump()


class Heard:
    """All lines that were told."""

    def __init__(self):
        self.lines, self.stage, self.total, self.done = [], "", 0, 0

    def begin(self, stage, total):
        self.stage, self.total, self.done = stage, total, 0

    def step(self, count=1):
        self.done += count

    def end(self, summary):
        self.line(self.stage, summary)

    def line(self, what, text):
        self.lines.append((what, text))


@pytest.fixture(scope="module")
def raw(small_night, tmp_path_factory):
    """Three lights, and one that comes later."""
    folder = tmp_path_factory.mktemp("raw")
    shutil.copytree(small_night, folder / "night")
    (folder / "later").mkdir()
    last = sorted((folder / "night").glob("*.fits"))[-1]
    last.rename(folder / "later" / last.name)
    return folder


@pytest.fixture(scope="module")
def stopped(raw, tmp_path_factory):
    """How a run in another process ended that was stopped, what it left, what was told of it then, and its OUT."""
    out = tmp_path_factory.mktemp("results") / "out"
    order, jobs, heard = RunNights((raw / "night",), out, RECIPE), Jobs(), Heard()
    try:
        number = jobs.start(order)
        while not any(what == "calibrate" for what, _ in jobs.told()[0]["lines"]):
            assert jobs.at_work, jobs.told()[0]["why"]
            time.sleep(0.01)
        jobs.stop(number)
        end = time.monotonic() + 60
        while jobs.at_work:
            assert time.monotonic() < end
            time.sleep(0.05)
    finally:
        jobs.close(1)
    left = sorted(path.name for path in out.iterdir())
    order.work(heard)
    return jobs.told()[0]["state"], left, heard.lines, out


@pytest.fixture
def out(stopped, tmp_path):
    shutil.copytree(stopped[3], tmp_path / "out")
    return tmp_path / "out"


def test_a_run_that_was_stopped_goes_on(stopped):
    state, left, lines, out = stopped
    assert state == "stopped"
    assert "stack.fits" not in left
    assert len(json.loads((out / "summary.json").read_text())["frames"]) == 3
    assert not list(out.rglob("*.part"))
    said = dict(lines)
    assert said["calibration"] == "no dark applied, no flat applied"
    assert "output" not in said, "the lock was given back"


@pytest.fixture
def ran(monkeypatch):
    """What runs were asked for, in place of them; what they do is tested where they are at home."""
    asked = []

    def noted(*words, **named):
        asked.append((words, named))
        return {
            "calibration": {"offset_taken_off": {}, "lights_with_flat": 0},
            "set_aside": [],
            "to_know": ["So."],
        }

    monkeypatch.setattr("fourlight.pipeline.run.run", noted)
    return asked


def test_the_same_run_again_has_its_frames_and_recipe_and_no_others(out, raw, ran, tmp_path):
    past, heard = load(out / "provenance.json"), Heard()
    RunAgain(out).work(heard)
    ((searched, target, recipe, _, only, left_out), named) = ran[0]
    assert (searched, target, recipe) == ((raw / "night",), out, past.recipe)
    assert (only, left_out, named) == (set(past.inputs), past.not_read, {})
    assert ("to know", "So.") in heard.lines
    record = json.loads((out / "provenance.json").read_text())
    first = next(iter(record["inputs"]))
    record["inputs"][first] = "0" * 64
    (out / "provenance.json").write_text(json.dumps(record))
    with pytest.raises(InputError, match="has changed since"):
        RunAgain(out).work(Heard())
    assert len(ran) == 1


def test_runs_of_the_page_take_the_marks_beside_the_results(out, raw, ran):
    first = str(next(iter(load(out / "provenance.json").inputs)))
    Marks(out).put([first], "leave", "an aeroplane")
    RunAgain(out).work(Heard())
    RunNights((raw / "night",), out, RECIPE).work(Heard())
    assert [words[2].lights.leave_out for words, _ in ran] == [{first: "an aeroplane"}] * 2
    assert ran[1][0][2].evidence == Recipe.model_validate(RECIPE).evidence, (
        "and nothing else of the recipe changes"
    )


def test_the_demo_is_that_of_the_command(ran, tmp_path, monkeypatch):
    made = []
    monkeypatch.setattr(
        "fourlight.pipeline.demo.demo_nights", lambda folder, _: made.append(folder) or folder / "nights"
    )
    MakeDemo(tmp_path / "demo").work(Heard())
    ((searched, target, recipe, _), _named) = ran[0]
    assert (made, searched, target) == (
        [tmp_path / "demo"],
        [tmp_path / "demo" / "nights"],
        tmp_path / "demo" / "results",
    )
    assert recipe.sky.solve == "off", "no catalogue knows the stars of an invented sky"


def test_lights_are_added_with_the_recipe_of_the_stack(out, raw, ran):
    AddNights((raw / "later",), out).work(Heard())
    ((searched, target, recipe, _), named) = ran[0]
    past = load(out / "provenance.json")
    assert (searched, target, recipe, named) == ((raw / "later",), out, past.recipe, {"past": past})


def test_a_picture_keeps_the_settings_it_was_made_with(out):
    """Those that the run had are not needed: what was given there can be unset."""
    first = settings_now(out)
    assert first == Finish().model_dump(mode="json")
    heard = Heard()
    bold = {**first, "look": "bold", "stretch": {**first["stretch"], "contrast": 0.1}}
    MakePicture(out, bold).work(heard)
    assert heard.done == heard.total > len(STEPS), "every step is counted, and the files"
    assert settings_now(out) == bold
    assert any(what == "stretch" and "the look bold" in text for what, text in heard.lines)
    MakePicture(out, first).work(heard)
    assert settings_now(out) == first


def test_evidence_is_asked_for_and_told(monkeypatch, tmp_path):
    claim = {"name": "a", "claim": "A.", "planes": [], "verdict": "cannot tell", "sentence": "Too few."}
    monkeypatch.setattr(
        "fourlight.pipeline.evidence.channels_on", lambda out, boxes, _: {"notes": [f"{out.name} {boxes}"]}
    )
    monkeypatch.setattr("fourlight.pipeline.evidence.claims_on", lambda *_words: [claim])
    monkeypatch.setattr("fourlight.pipeline.closing.claims_table", lambda found: {"claims": found})
    heard = Heard()
    MeasureChannels(tmp_path / "out").work(heard)
    WeighClaims(tmp_path / "out").work(heard)
    assert heard.lines == [("to know", "out {}"), ("cannot tell", "A.: Too few.")]
