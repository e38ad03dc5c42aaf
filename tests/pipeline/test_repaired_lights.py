"""Lights that were cut short when they were copied, and are copied again before they are added."""

from __future__ import annotations

import json
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits

from fourlight.pipeline.run import run
from fourlight.provenance import load
from fourlight.recipe import Recipe, with_settings
from kept_stacks import KEEP

SHORT = "light_0005.fits"
"""Its last third never arrived: the file itself ends there."""
SETTINGS = [*KEEP, "integrate.method=least-squares"]
BLANK = "light_0009.fits"
"""Its file is whole, but holds nothing from the tenth row on."""


@dataclass(frozen=True)
class Begun:
    """A stack of the first night without two lights."""

    night: Path
    out: Path


@pytest.fixture(scope="module")
def cut(nights: tuple[Path, Path], tmp_path_factory: pytest.TempPathFactory) -> Begun:
    """The run, in a folder of its own: its record names the places of its lights."""
    folder = tmp_path_factory.mktemp("cut") / "now"
    night, out = folder / "first", folder / "out"
    shutil.copytree(nights[0], night)
    short, blank = night / "night1" / SHORT, night / "night1" / BLANK
    short.write_bytes(short.read_bytes()[: short.stat().st_size * 2 // 3])
    with fits.open(blank, mode="update") as hdus:
        hdus[0].data[10:] = 0
    run([night], out, with_settings(Recipe(), SETTINGS))
    assert set(reasons(out)) == {SHORT, BLANK}
    shutil.copytree(folder, folder.parent / "kept")
    return Begun(night, out)


@pytest.fixture
def begun(cut: Begun) -> Begun:
    """Lights and results as the run left them, whatever the test before did to them."""
    folder = cut.out.parent
    shutil.rmtree(folder)
    shutil.copytree(folder.parent / "kept", folder)
    return cut


def reasons(out: Path) -> dict[str, str]:
    summary = json.loads((out / "summary.json").read_text())
    return {Path(item["path"]).name: item["reason"] for item in summary["set_aside"]}


def used(out: Path) -> set[str]:
    """Lights in the stack, with their folders: names of two nights are alike."""
    frames = json.loads((out / "summary.json").read_text())["frames"]
    return {"/".join(Path(frame["path"]).parts[-2:]) for frame in frames}


def copied_again(nights: tuple[Path, Path], begun: Begun, *names: str) -> None:
    for name in names:
        shutil.copy(nights[0] / "night1" / name, begun.night / "night1" / name)


@pytest.mark.parametrize("directly", [True, False])
def test_lights_that_were_copied_again_are_added(
    command: Any, nights: tuple[Path, Path], begun: Begun, directly: bool, tmp_path: Path
) -> None:
    copied_again(nights, begun, SHORT, BLANK)
    night = begun.night / "night1"
    done = command(
        "run", "--add", *([night / SHORT, night / BLANK] if directly else [night]), "--out", begun.out
    )
    assert done.code == 0, done.err
    assert "set aside" not in done.err
    assert reasons(begun.out) == {}
    assert used(begun.out) == {f"night1/{path.name}" for path in night.iterdir()}
    assert load(begun.out / "provenance.json").set_aside == ()
    again = command("run", "--again", begun.out / "provenance.json", "--out", tmp_path / "again")
    assert again.code == 0, again.err
    with fits.open(begun.out / "stack.fits") as one, fits.open(tmp_path / "again" / "stack.fits") as other:
        np.testing.assert_array_equal(one["G"].data, other["G"].data)


def test_one_of_two_that_was_copied_again_comes_with_another_night(
    command: Any, nights: tuple[Path, Path], begun: Begun
) -> None:
    """What was said of it is dropped; what was said of the other one still holds, also in a third run."""
    copied_again(nights, begun, SHORT)
    done = command("run", "--add", nights[1], begun.night / "night1", "--out", begun.out)
    assert done.code == 0, done.err
    assert len(used(begun.out)) == 16
    assert set(reasons(begun.out)) == {BLANK}
    copied_again(nights, begun, BLANK)
    done = command("run", "--add", begun.night / "night1" / BLANK, "--out", begun.out)
    assert done.code == 0, done.err
    assert len(used(begun.out)) == 17
    assert reasons(begun.out) == {}


def test_a_night_that_is_added_says_nothing_new_of_what_is_not_named(
    command: Any, nights: tuple[Path, Path], begun: Begun
) -> None:
    before = reasons(begun.out)
    copied_again(nights, begun, SHORT)
    done = command("run", "--add", nights[1], "--out", begun.out)
    assert done.code == 0, done.err
    assert len(used(begun.out)) == 15
    assert reasons(begun.out) == before


def test_a_light_that_is_still_cut_is_told(command: Any, nights: tuple[Path, Path], begun: Begun) -> None:
    """Untouched, no word is new; copied again and cut once more, the reason is."""
    path = begun.night / "night1" / SHORT
    done = command("run", "--add", path, "--out", begun.out)
    assert done.code == 2
    assert done.line.startswith("no light is new among the frames named; name the folder")
    path.write_bytes((nights[0] / "night1" / SHORT).read_bytes()[:40000])
    done = command("run", "--add", path, "--out", begun.out)
    assert done.code == 2
    assert f"no light is new among the frames named ({SHORT}: the file is cut short" in done.line
