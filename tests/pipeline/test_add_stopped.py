"""Ctrl-C while lights are added, then the same command again: the stack is that of a run nobody disturbed."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits

from fourlight.pipeline import products
from fourlight.pipeline import run as runs
from fourlight.provenance import load
from stopped_runs import stopped

# Windows sends Ctrl-C to all processes of a console, the tests among them.
pytestmark = pytest.mark.skipif(os.name != "posix", reason="Ctrl-C goes to the whole console elsewhere")


def layers(file: Path) -> dict[str, Any]:
    with fits.open(file) as hdus:
        return {hdu.name: hdu.data.copy() for hdu in hdus if hdu.data is not None}


def same(out: Path, other: Path) -> None:
    for name in ("stack.fits", "halves.fits"):
        ours = layers(out / name)
        for layer, pixels in layers(other / name).items():
            np.testing.assert_array_equal(ours[layer], pixels, err_msg=f"{name} {layer}")
    assert load(out / "provenance.json") == load(other / "provenance.json")
    ours, theirs = (json.loads((place / "summary.json").read_text()) for place in (out, other))
    assert ours["frames"] == theirs["frames"]
    assert ours["to_know"] == theirs["to_know"]


@pytest.mark.parametrize("stage", ["check", "calibrate"])
def test_the_same_command_goes_on(
    command: Any, nights: tuple[Path, Path], first: Path, out: Path, added: Path, stage: str
) -> None:
    stopped(stage, "run", "--add", nights[1], "--out", out)
    same(out, first)
    done = command("run", "--add", nights[1], "--out", out)
    assert done.code == 0, done.err
    assert "5 lights added to 12" in done.err
    same(out, added)


@pytest.mark.parametrize("where", ["write_all", "keep"])
def test_stopped_when_all_is_integrated(
    command: Any, nights: tuple[Path, Path], out: Path, added: Path, where: str, monkeypatch: Any
) -> None:
    """Before the results come into their places, or between them and the sums: then nothing is left to add."""

    def end(*_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(products if where == "write_all" else runs, where, end)
        done = command("run", "--add", nights[1], "--out", out)
        assert done.code == 1
        assert "stopped; run the same command again" in done.err
    done = command("run", "--add", nights[1], "--out", out)
    assert done.code == (0 if where == "write_all" else 2), done.err
    assert ("5 lights added to 12" if where == "write_all" else "no light is new") in done.err
    same(out, added)


def test_after_several_stops_the_sums_are_those_of_all(
    command: Any, nights: tuple[Path, Path], first: Path, out: Path, added: Path
) -> None:
    """What was kept on the way is no more and no less than an undisturbed run keeps."""
    for stage in ("noise", "noise", "register"):
        stopped(stage, "run", "--add", nights[1], "--out", out)
    same(out, first)
    done = command("run", "--add", nights[1], "--out", out)
    assert done.code == 0, done.err
    assert "5 lights added to 12" in done.err
    same(out, added)
    ours, theirs = (place / "work" / "sums" for place in (out, added))
    assert {path.name for path in ours.iterdir()} == {path.name for path in theirs.iterdir()}
    for path in theirs.glob("*_*.npz"):
        with np.load(path) as one, np.load(ours / path.name) as other:
            for name in one.files:
                np.testing.assert_array_equal(one[name], other[name])
