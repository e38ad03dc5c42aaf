"""Kept sums that are damaged, of other lights, or were about to change places: nothing is lost, and it is said."""

from __future__ import annotations

import re
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits

from fourlight.pipeline.run import run
from fourlight.pipeline.swap import LIST
from fourlight.recipe import Recipe, with_settings
from fourlight.stages import integrate, least_squares
from fourlight.stages.tile_sums import TileSums
from kept_stacks import KEEP, assert_same_planes, planes


def sums(out: Path) -> Path:
    return out / "work" / "sums"


def test_sums_that_were_cut_short_are_made_anew(command: Any, nights: tuple[Path, Path], out: Path) -> None:
    tile = next(sums(out).glob("*_*.npz"))
    tile.write_bytes(tile.read_bytes()[:-100])
    done = command("run", "--add", nights[1], "--out", out)
    assert done.code == 0, done.err
    assert "the sums of the earlier lights cannot be read: all lights are integrated" in done.err
    assert "17 lights integrated" in done.err


def test_sums_with_wrong_bytes_are_told(command: Any, nights: tuple[Path, Path], out: Path) -> None:
    before = (out / "stack.fits").read_bytes()
    tile = next(sums(out).glob("*_*.npz"))
    content = bytearray(tile.read_bytes())
    middle = len(content) // 2
    content[middle : middle + 64] = bytes(byte ^ 255 for byte in content[middle : middle + 64])
    tile.write_bytes(content)
    done = command("run", "--add", nights[1], "--out", out)
    assert done.code == 1  # found in mid-run
    assert f"{tile.name}: the kept sums cannot be read" in done.err
    assert "all lights are integrated then" in done.err
    assert (out / "stack.fits").read_bytes() == before
    shutil.rmtree(sums(out))  # as the message says
    again = command("run", "--add", nights[1], "--out", out)
    assert again.code == 0, again.err
    assert "17 lights integrated" in again.err


def test_sums_that_were_about_to_change_places_are_found(
    command: Any, nights: tuple[Path, Path], out: Path
) -> None:
    """A run that was killed there has left its results, and its sums under another name."""
    sums(out).rename(out / "work" / "new-sums")
    done = command("run", "--add", nights[1], "--out", out)
    assert done.code == 0, done.err
    assert "5 lights added to 12" in done.err


def test_results_that_were_about_to_change_places_are_found(
    command: Any, nights: tuple[Path, Path], out: Path
) -> None:
    """A run that was killed there has put the old results aside, the record first, and has a list of the new ones."""
    old, new = out / "work" / "old", out / "work" / "new"
    old.mkdir()
    new.mkdir()
    (new / LIST).write_text('{"come": ["provenance.json"], "go": []}')
    (new / "provenance.json").write_text("{}")
    (out / "provenance.json").rename(old / "provenance.json")
    done = command("run", "--add", nights[1], "--out", out)
    assert done.code == 0, done.err
    assert "5 lights added to 12" in done.err


def test_sums_of_other_lights_are_not_added_to(
    command: Any, nights: tuple[Path, Path], first: Path, out: Path
) -> None:
    run([nights[1]], out, with_settings(Recipe(), KEEP))
    shutil.rmtree(sums(out))
    # as if that run had been killed before its sums came into their place
    for name in ("sums", "masters"):
        shutil.copytree(first / "work" / name, out / "work" / name, dirs_exist_ok=True)
    done = command("run", "--add", nights[0], "--out", out)
    assert done.code == 0, done.err
    assert "the sums that were kept are of other lights: all lights are integrated" in done.err


@pytest.mark.parametrize("with_sums", [True, False])
def test_lights_that_would_take_the_place_of_the_earlier_ones_are_refused(
    command: Any, nights: tuple[Path, Path], out: Path, tmp_path: Path, with_sums: bool
) -> None:
    new = tmp_path / "new"
    new.mkdir()
    for path in (nights[1] / "night2").iterdir():
        with fits.open(path) as hdus:
            hdus[0].header["FILTER"] = "narrow"
            hdus[0].header["EXPTIME"] *= 10
            hdus.writeto(new / path.name)
    if not with_sums:
        shutil.rmtree(sums(out))
    before = (out / "stack.fits").read_bytes()
    done = command("run", "--add", new, "--out", out)
    assert done.code == 2
    assert "the new lights are more than the earlier ones and do not go with them" in done.err
    assert (out / "stack.fits").read_bytes() == before
    assert sums(out).is_dir() == with_sums


def test_new_lights_that_cannot_be_used_change_nothing(
    command: Any, nights: tuple[Path, Path], tmp_path: Path
) -> None:
    out = tmp_path / "out"
    run([nights[0]], out, with_settings(Recipe(), [*KEEP, "integrate.method=drizzle"]))
    before = planes(out)
    cloud = tmp_path / "new" / "cloud.fits"
    cloud.parent.mkdir()
    light = next((nights[1] / "night2").iterdir())
    with fits.open(light) as hdus:
        hdus[0].data[:] = np.random.default_rng(3).poisson(900, hdus[0].data.shape)
        hdus.writeto(cloud)
    done = command("run", "--add", cloud, "--out", out)
    assert done.code == 2
    assert re.search(r"no new light can be added \(.*\); the stack stays as it was", done.err)
    for plane, (value, variance) in planes(out).items():
        np.testing.assert_array_equal(value, before[plane][0])
        np.testing.assert_array_equal(variance, before[plane][1])
    cloud.unlink()
    narrow = tmp_path / "new" / "narrow.fits"
    with fits.open(light) as hdus:
        hdus[0].header["FILTER"] = "narrow"
        hdus.writeto(narrow)
    copy = tmp_path / "new" / "copy.fits"
    copy.write_bytes(next((nights[0] / "night1").iterdir()).read_bytes())
    for path, why in ((narrow, "filter narrow instead of"), (copy, "a copy of")):
        done = command("run", "--add", path, "--out", out)
        assert done.code == 2
        assert "no new light can be added (" in done.err
        assert why in done.err


def test_finer_sums_than_stars_ask_for_now_are_added_to(
    command: Any, nights: tuple[Path, Path], out: Path, added: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """They stay as fine as they are: no pixel changes where the same stars count as broad."""
    assert TileSums.load(next(sums(added).glob("*_*.npz"))).fine == 3
    monkeypatch.setattr(least_squares, "FINE_BELOW_PX", 0.1)
    done = command("run", "--add", nights[1], "--out", out)
    assert done.code == 0, done.err
    assert "5 lights added to 12" in done.err
    assert_same_planes(out, added)


def test_coarser_sums_than_stars_ask_for_now_are_made_anew(
    command: Any, nights: tuple[Path, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(least_squares, "FINE_BELOW_PX", 0.1)
    run([nights[0]], tmp_path / "out", with_settings(Recipe(), KEEP))
    monkeypatch.undo()
    done = command("run", "--add", nights[1], "--out", tmp_path / "out")
    assert done.code == 0, done.err
    assert "sharper, and need finer sums: all 17 lights are integrated" in done.err


def test_an_equal_run_finds_its_tiles_and_sums(
    raw: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the work is kept no tile is made again, though its sums have moved since; changed settings make all."""
    made: list[Any] = []
    plain = integrate.integrate_tile
    monkeypatch.setattr(integrate, "integrate_tile", lambda *words: made.append(words[0]) or plain(*words))
    recipe = with_settings(Recipe(), [*KEEP, "run.keep_work=true"])
    out = tmp_path / "out"
    run([raw], out, recipe)
    assert made
    made.clear()
    before = {path.name: path.read_bytes() for path in sums(out).iterdir()}
    run([raw], out, recipe)
    assert not made
    assert {path.name: path.read_bytes() for path in sums(out).iterdir()}.keys() == before.keys()
    tile = next(sums(out).glob("*_*.npz"))
    assert tile.read_bytes() == before[tile.name]
    tile.unlink()
    run([raw], out, recipe)
    assert len(made) == 1
    made.clear()
    run([raw], out, with_settings(recipe, ["integrate.pixfrac=1.1"]))
    assert len(made) == len(before) - 3  # key, facts and table lie beside the sums
