"""``fourlight whatif``: one clear line for what cannot be."""

from __future__ import annotations

import json

import pytest


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "nothing is asked for"),
        (["--sky", "x0.5"], "never removed"),
        (["--sky", "five"], "such as 19.5"),
        (["--sky", "5"], "13 (bright city) to 23"),
        (["--sky", "x1e9"], "such as x2"),
        (["--moon", "50,60"], "write 0.5 for 50 per cent"),
        (["--moon", "1"], "write the lit share and the angle"),
        (["--subs", "1"], "4 lights; 2 to 4 are needed"),
        (["--subs", "5"], "4 lights; 2 to 4 are needed"),
        (["--drop-channel", "L"], "one of R, G, B, G1, G2"),
        (["--filter", "dual-7nm"], "fourlight compare for two filters"),
        (["--sky", "19", "--was", "99"], "from 13 to 23"),
        (["--sky", "19", "--altitude", "-3"], "degrees from 5 to 90"),
        (["--moon", "1,60", "--extinction", "7"], "from 0.05 to 1"),
        (["--moon", "1,60", "--extinction", "0.01"], "from 0.05 to 1"),
        (["--sky", "x2"], "level of no light"),
    ],
)
def test_bad_input_gives_one_line(command, looked_at, tmp_path, words, said):
    """The run of these tests has neither bias nor darks."""
    done = command("whatif", looked_at.out, "--out", tmp_path / "new", *words)
    assert done.code == 2
    assert said in done.line
    assert not (tmp_path / "new").exists()


def test_frames_are_no_finished_run(command, looked_at, tmp_path):
    done = command("whatif", looked_at.raw, "--sky", "x2", "--out", tmp_path / "new")
    assert done.code == 2
    assert "fourlight run NIGHTS --out OUT" in done.line
    assert "no such folder" in command("whatif", tmp_path / "a", "--sky", "x2", "--out", tmp_path / "b").line
    assert "--out OUT2" in command("whatif", looked_at.out, "--subs", "3").line


def test_a_channel_less_is_told(command, looked_at, untouched, tmp_path):
    with untouched(looked_at.raw):
        done = command("whatif", looked_at.out, "--drop-channel", "B", "--out", tmp_path / "new", "--json")
    assert done.code == 0, done.err
    assert "No blue" in done.err
    facts = json.loads(done.out)
    assert set(facts["channels"]) == {"R", "G", "all"}
    assert json.loads((tmp_path / "new" / "whatif.json").read_text()) == facts
