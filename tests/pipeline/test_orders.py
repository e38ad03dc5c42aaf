"""Orders of the page do what the commands do: on a small night, the first of them in a process of its own."""

from __future__ import annotations

import json
import shutil
import time

import pytest

from fourlight.pipeline.jobs import Jobs
from fourlight.pipeline.orders import (
    AddNights,
    MakePicture,
    MeasureChannels,
    RunAgain,
    RunNights,
    WeighClaims,
)
from fourlight.pipeline.shown_picture import settings_now
from fourlight.recipe import Recipe, with_settings
from fourlight.recipe_finish import Finish

RECIPE = with_settings(Recipe(), ["evidence.channels=false", "evidence.claims=false"]).model_dump()


class Heard:
    """All lines that were told."""

    def __init__(self):
        self.lines, self.stage = [], ""

    def begin(self, stage, total):
        self.stage = stage

    def step(self, count=1):
        pass

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
    """What was told of a run that was stopped, and of the same run then; and its OUT."""
    out = tmp_path_factory.mktemp("results") / "out"
    order = RunNights((raw / "night",), out, RECIPE)
    jobs = Jobs()
    try:
        number = jobs.start(order)
        while not any(what == "calibrate" for what, _ in jobs.told()[0]["lines"]):
            assert jobs.at_work
            time.sleep(0.01)
        jobs.stop(number)
        followed(jobs)
        left = sorted(path.name for path in out.iterdir())
        jobs.start(order)
        followed(jobs)
    finally:
        jobs.close(1)
    return jobs.told(), left, out


def followed(jobs):
    end = time.monotonic() + 120
    while jobs.at_work:
        assert time.monotonic() < end
        time.sleep(0.05)


@pytest.fixture
def out(stopped, tmp_path):
    shutil.copytree(stopped[2], tmp_path / "out")
    return tmp_path / "out"


def test_a_run_that_was_stopped_goes_on(stopped):
    told, left, out = stopped
    assert [job["state"] for job in told] == ["done", "stopped"]
    assert "stack.fits" not in left
    assert len(json.loads((out / "summary.json").read_text())["frames"]) == 3
    assert not list(out.rglob("*.part"))
    said = dict(map(tuple, told[0]["lines"]))
    assert said["calibration"] == "no dark applied, no flat applied"
    assert "output" not in said, "the lock was given back"


def test_the_same_run_again_gives_the_same_pixels(out):
    before = (out / "stack.fits").read_bytes()
    (out / "stack.fits").write_bytes(b"")
    heard = Heard()
    RunAgain(out).work(heard)
    assert (out / "stack.fits").read_bytes() == before
    assert ("calibration", "no dark applied, no flat applied") in heard.lines


def test_a_light_is_added(out, raw):
    AddNights((raw / "later",), out).work(Heard())
    assert len(json.loads((out / "summary.json").read_text())["frames"]) == 4


def test_a_picture_keeps_the_settings_it_was_made_with(out):
    """Those that the run had are not needed: what was given there can be unset."""
    first = settings_now(out)
    assert first == Finish().model_dump(mode="json")
    heard = Heard()
    bold = {**first, "look": "bold", "stretch": {**first["stretch"], "contrast": 0.1}}
    MakePicture(out, bold).work(heard)
    assert settings_now(out) == bold
    assert any(what == "stretch" and "the look bold" in text for what, text in heard.lines)
    MakePicture(out, first).work(heard)
    assert settings_now(out) == first


def test_evidence_is_measured_and_told(out):
    MeasureChannels(out).work(Heard())
    heard = Heard()
    WeighClaims(out).work(heard)
    assert (out / "channels.json").exists()
    assert {"cannot tell"} <= {what for what, _ in heard.lines}
