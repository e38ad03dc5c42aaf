"""Progress where there is no terminal: a long stage says how far it is, a short one only what it did."""

import shutil
from collections import Counter

import pytest

from fourlight.cli import progress as shown
from fourlight.cli.progress import TerminalProgress
from fourlight.pipeline.evidence import channels_on, claims_on


@pytest.fixture
def clock(monkeypatch):
    """Seconds, as the progress sees them."""
    now = [0.0]
    monkeypatch.setattr(shown.time, "monotonic", lambda: now[0])
    return now


def test_a_long_stage_says_how_far_it_is_and_what_is_left(clock, capsys):
    told = TerminalProgress()
    told.begin("treatments", 10)
    for _ in range(9):
        clock[0] += 12
        told.step()
    told.end("done")
    said = [line.split(maxsplit=1) for line in capsys.readouterr().err.splitlines()]
    assert said[0] == ["treatments", "2 of 10"], "two steps do not tell how long the others take"
    assert said[1] == ["treatments", "4 of 10, about 1.2 min left"]
    assert said[-1] == ["treatments", "done"]
    assert len(said) == 5, "every 24 s, the first step after 20"


def test_a_short_stage_says_no_more_than_before(clock, capsys):
    told = TerminalProgress()
    told.begin("widths", 10)
    for _ in range(10):
        clock[0] += 1
        told.step()
    told.end("done")
    told.step()  # of a thread that comes late
    assert capsys.readouterr().err.split() == ["widths", "done"]


def test_steps_beyond_those_announced_do_no_harm(clock, capsys):
    told = TerminalProgress()
    told.begin("read", 0)
    clock[0] += 60
    told.step()
    told.end("done")
    assert capsys.readouterr().err.split() == ["read", "done"]


class Counted:
    """Steps told of each stage, and how many were announced."""

    def __init__(self):
        self.total, self.done, self.stage = {}, Counter(), ""

    def begin(self, stage, total):
        self.stage, self.total[stage] = stage, total

    def step(self, count=1):
        self.done[self.stage] += count

    def end(self, summary):
        pass


@pytest.mark.parametrize(
    ("asked", "least"),
    [
        (lambda out, told: channels_on(out, {}, told), {"widths": 4, "channels": 4, "report": 14}),
        (lambda out, told: claims_on(out, (), (), told), {"widths": 4, "treatments": 2, "claims": 12}),
    ],
    ids=["channels", "claims"],
)
def test_evidence_tells_how_far_it_is_in_every_long_stage(looked_at, tmp_path, asked, least):
    """Steps of a second or two each on a stack of usual size: time left is told from them."""
    shutil.copytree(looked_at.out, tmp_path / "out")
    told = Counted()
    asked(tmp_path / "out", told)
    for stage, steps in least.items():
        assert told.total[stage] >= steps
        assert told.done[stage] == told.total[stage], stage
    assert all(told.done[stage] <= total for stage, total in told.total.items())
