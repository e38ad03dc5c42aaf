"""A copy of a frame is no further frame: it is told apart from lights that could not be used."""

from pathlib import Path

import pytest

from fourlight.frames import RawFrame, Role
from fourlight.io.pixels import open_pixels
from fourlight.report.aside import lights_aside, table
from fourlight.report.moments import moments
from fourlight.report.opening import heading
from fourlight.stages.copies import without_copies
from invented_run import summary


def copied(count, role="light"):
    """Entries of the summary for copies, with the reason that the program itself gives."""
    paths = [Path("a.fits"), Path("b.fits")]
    frames = [RawFrame(path, 0, 4, 4, Role(role), "header") for path in paths]
    names = {path: path.name for path in paths}
    _, (item,), _ = without_copies(frames, dict.fromkeys(paths, "same"), names, open_pixels)
    return [
        {"file": f"copy {k}.fits", "role": role, "stage": item.stage, "reason": item.reason}
        for k in range(count)
    ]


@pytest.mark.parametrize("role", ["light", "flat"])
def test_copies_alone_set_no_frame_aside(role):
    facts = summary()
    facts["set_aside"] = copied(1, role)
    said = heading(facts)
    assert "1 file is a copy of another and was left out: each exposure counts once." in said["lead"]
    assert "set aside" not in said["lead"]
    assert dict(said["facts"])["Lights used"] == "22 of 22"
    assert len(moments(facts)) == 22


def test_copies_stand_beside_what_was_set_aside():
    facts = summary()
    before = heading(facts)
    facts["set_aside"] += [*copied(2), *copied(1, "dark")]
    said = heading(facts)
    assert said["facts"] == before["facts"]
    assert (
        "3 more lights were set aside, and 1 flat and 1 file of unknown kind could not be used; the reasons are"
        " below. 3 files are copies of others and were left out: each exposure counts once." in said["lead"]
    )
    assert len(lights_aside(facts)) == 3
    assert len(table(facts)) == 8, "the table names every file"
