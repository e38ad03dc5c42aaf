"""``fourlight watch``: one clear line for what cannot be."""

from __future__ import annotations

import signal
from pathlib import Path
from typing import Any

import pytest

from fourlight.cli import watch as command_of
from fourlight.recipe import Recipe, loads


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["nowhere"], "nowhere: no such folder"),
        (["."], "--out OUT"),
        ([".", "--subs", "-1"], "'--subs': '-1' is found, a whole number of at least 0 is needed"),
        ([".", "--subs", "many"], "'many' is found, a whole number"),
        ([".", "--subs", "0"], "--subs 0: a number above 0 is needed, or leave it out"),
        ([".", "--hours", "0"], "--hours 0: a number above 0 is needed"),
        ([".", "--idle", "-3"], "--idle -3: a number above 0 is needed"),
        ([".", "--hours", "soon"], "soon"),
        ([".", "--set", "integrate.grid=3x"], "integrate.grid"),
        ([".", "--calibration", "nowhere"], "nowhere: no such file or folder"),
    ],
)
def test_what_cannot_be_is_one_line(
    command: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: list[str], said: str
) -> None:
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    out = [] if words == ["."] else ["--out", tmp_path / "out"]
    done = command("watch", *words, *out)
    assert done.code == 2
    assert said in done.line
    assert not (tmp_path / "out").exists()


def test_lights_are_no_calibration_frames(command: Any, small_night: Path, tmp_path: Path) -> None:
    (tmp_path / "raw").mkdir()
    done = command("watch", tmp_path / "raw", "--out", tmp_path / "out", "--calibration", small_night)
    assert done.code == 2
    assert "holds no dark, flat or bias frame" in done.line


def test_a_recipe_that_names_no_grid_keeps_that_of_a_running_stack() -> None:
    assert command_of._usual(Recipe()).integrate.grid == "0.5x"
    assert command_of._usual(loads('integrate.grid = "1x"')).integrate.grid == "1x"
    other = command_of._usual(loads("integrate.reject_sigma = 5"))
    assert (other.integrate.grid, other.integrate.reject_sigma) == ("0.5x", 5)


def test_asking_twice_ends_at_once() -> None:
    """And afterwards Ctrl-C is what it was."""
    before = signal.getsignal(signal.SIGINT)
    with command_of._end_asked_for() as asked:
        assert not asked.is_set()
        signal.raise_signal(signal.SIGINT)
        assert asked.is_set()
        with pytest.raises(KeyboardInterrupt):
            signal.raise_signal(signal.SIGINT)
    assert signal.getsignal(signal.SIGINT) is before
