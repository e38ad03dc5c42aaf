"""Adding a night to a finished stack: old lights are not read again, and the stack is that of all lights."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from fourlight.engine import Silent
from fourlight.pipeline.marks import Marks
from fourlight.pipeline.orders import AddNights
from fourlight.pipeline.run import run
from fourlight.provenance import load
from fourlight.recipe import Recipe, with_settings
from kept_stacks import KEEP, assert_same_planes, planes
from plain_runs import PLAIN


class Mute(Silent):
    """Nobody listens, to lines neither."""

    def line(self, what: str, text: str) -> None:
        """Say nothing."""


def test_lights_of_a_second_night_count_as_if_all_had_been_there(
    command: Any, wide: tuple[Path, Path, Path], tmp_path: Path
) -> None:
    nights, added = wide[:2], tmp_path / "added"
    shutil.copytree(wide[2], added)
    reference = json.loads((added / "summary.json").read_text())["grid"]["reference"]
    done = command("run", "--add", nights[1], "--out", added)
    assert done.code == 0, done.err
    assert "5 lights added to 12" in done.err
    summary = json.loads((added / "summary.json").read_text())
    assert len(summary["frames"]) == 17
    assert len(summary["nights"]) == 2
    # the same flats and bias frames serve both nights
    counts = summary["calibration"]["calibration_frames"]
    assert {role: count["in_masters"] for role, count in counts.items() if count["usable"]} == {
        "flat": 5,
        "bias": 5,
    }
    assert summary["grid"]["reference"].endswith(reference)
    whole = tmp_path / "whole"
    run(
        list(nights),
        whole,
        with_settings(Recipe(), [*PLAIN, f"registration.reference=night1/{Path(reference).name}"]),
    )
    ours = planes(added)
    for plane, (value, variance) in planes(whole).items():
        gap = (ours[plane][0] - value) / np.sqrt(variance)
        gap -= surface(gap)
        # docs/outputs.md: 95 % of pixels within 0.1 sigma but for a smooth sky, noise within 3 %
        assert np.nanpercentile(np.abs(gap), 95) < 0.1
        assert np.nanmedian(ours[plane][1] / variance) == pytest.approx(1, abs=0.03)
    assert load(added / "provenance.json").searched == tuple(nights)


def surface(gap: Any) -> Any:
    """Second-order surface through an image."""
    v, u = np.mgrid[-1 : 1 : gap.shape[0] * 1j, -1 : 1 : gap.shape[1] * 1j]
    terms = np.stack([u**i * v**j for i in range(3) for j in range(3 - i)], axis=-1)
    good = np.isfinite(gap)
    assert np.abs(gap[good]).mean() < 0.3
    return terms @ np.linalg.lstsq(terms[good], np.clip(gap[good], -1, 1), rcond=None)[0]


def test_marks_on_old_lights_hold_when_a_night_is_added(nights: tuple[Path, Path], out: Path) -> None:
    marked = json.loads((out / "summary.json").read_text())["frames"][0]["path"]
    Marks(out).put([marked], "leave", "fog")
    AddNights((nights[1],), out).work(Mute())
    summary = json.loads((out / "summary.json").read_text())
    (aside,) = (item for item in summary["set_aside"] if item["path"] == marked)
    assert aside["reason"] == "left out by hand: fog"
    assert not Marks(out).facts()["waiting"]


def test_old_lights_are_not_read_again(
    command: Any, nights: tuple[Path, Path], added: Path, tmp_path: Path
) -> None:
    """Old lights whose pixels are gone (and size and date are not) change nothing."""
    place, out = tmp_path / "first", tmp_path / "out"
    shutil.copytree(nights[0], place)
    run([place], out, with_settings(Recipe(), KEEP))
    for path in (place / "night1").iterdir():
        state = path.stat()
        with path.open("rb+") as file:
            file.seek(2880 * 2)
            file.write(bytes(state.st_size - 2880 * 2))
        os.utime(path, ns=(state.st_atime_ns, state.st_mtime_ns))
    done = command("run", "--add", nights[1], "--out", out)
    assert done.code == 0, done.err
    assert "5 lights added to 12" in done.err
    assert_same_planes(out, added)
    assert names(out) == names(added)


def names(out: Path) -> list[str]:
    """What the lights of a stack are called, in their order."""
    return [frame["file"] for frame in json.loads((out / "summary.json").read_text())["frames"]]


def test_nights_can_be_added_one_after_the_other(
    command: Any, nights: tuple[Path, Path], out: Path, tmp_path: Path
) -> None:
    for number in (1, 2):
        folder = tmp_path / f"part{number}"
        folder.mkdir()
        for k in (2 * number - 1, 2 * number):
            shutil.copy(nights[1] / "night2" / f"light_000{k}.fits", folder)
        done = command("run", "--add", folder, "--out", out)
        assert done.code == 0, done.err
        assert f"2 lights added to {10 + 2 * number}" in done.err


def test_without_kept_sums_all_lights_are_integrated(
    command: Any, nights: tuple[Path, Path], out: Path
) -> None:
    shutil.rmtree(out / "work" / "sums")
    done = command("run", "--add", nights[1], "--out", out)
    assert done.code == 0, done.err
    assert "17 lights integrated" in done.err
    assert "no sums of the earlier lights were kept" in done.err
    assert (out / "work" / "sums").is_dir(), "the recipe asks for them"


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--set", "integrate.grid=2x"], "leave --recipe and --set out"),
        ([], "no light is new"),
    ],
)
def test_what_cannot_be_added_is_told(
    command: Any, nights: tuple[Path, Path], out: Path, words: list[str], told: str
) -> None:
    before = (out / "stack.fits").read_bytes()
    done = command("run", "--add", nights[0], "--out", out, *words)
    assert done.code == 2
    assert told in done.err
    assert (out / "stack.fits").read_bytes() == before


def test_another_night_in_the_place_of_one_that_was_added_is_told(
    command: Any, nights: tuple[Path, Path], out: Path, tmp_path: Path
) -> None:
    """As where a folder is emptied, and filled anew from a camera that numbers its files from one."""
    folder = tmp_path / "new"
    folder.mkdir()
    lights = sorted((nights[1] / "night2").iterdir())
    for number, light in enumerate(lights[:2]):
        shutil.copy(light, folder / f"l{number}.fits")
    assert command("run", "--add", folder, "--out", out).code == 0
    for number, light in enumerate(lights[2:4]):
        shutil.copy(light, folder / f"l{number}.fits")
    done = command("run", "--add", folder, "--out", out)
    assert done.code == 2
    assert "l0.fits: has changed since the earlier run; keep every night in files of its own" in done.line


def test_nights_in_folders_of_one_name_are_added(
    command: Any, nights: tuple[Path, Path], out: Path, tmp_path: Path
) -> None:
    """Files of one name in folders of one name: the stack is that of the same lights under names of their own."""
    lights, other = sorted((nights[1] / "night2").iterdir()), tmp_path / "other"
    shutil.copytree(out, other)
    for place, some in (("a", lights[:2]), ("b", lights[2:4])):
        folder = tmp_path / place / "new"
        folder.mkdir(parents=True)
        for number, light in enumerate(some):
            shutil.copy(light, folder / f"l{number}.fits")
        assert command("run", "--add", folder, "--out", out).code == 0
        assert command("run", "--add", *some, "--out", other).code == 0
    assert_same_planes(out, other)
    assert len(set(names(out))) == 16
    assert {"a/new/l0.fits", "b/new/l0.fits"} <= set(names(out))


def test_an_old_light_that_was_changed_or_is_gone_is_told(
    command: Any, raw: Path, nights: tuple[Path, Path], tmp_path: Path
) -> None:
    out = tmp_path / "out"
    run([raw], out, with_settings(Recipe(), PLAIN))
    light = raw / "light_0003.fits"
    content = light.read_bytes()
    light.write_bytes(content[:-2880] + bytes(2880))
    done = command("run", "--add", nights[1], "--out", out)
    assert done.code == 2
    assert "light_0003.fits: has changed since the earlier run" in done.err
    light.unlink()
    done = command("run", "--add", nights[1], "--out", out)
    assert done.code == 2
    assert "light_0003.fits: is gone since the earlier run" in done.err


def test_an_out_without_a_stack_is_told(command: Any, nights: tuple[Path, Path], tmp_path: Path) -> None:
    done = command("run", "--add", nights[1], "--out", tmp_path / "empty")
    assert done.code == 2
    assert "empty: holds no finished stack; make one first: fourlight run NIGHTS --out" in done.err
    assert not (tmp_path / "empty").exists()


def test_a_stack_that_lights_were_added_to_is_made_again_step_by_step(
    command: Any, nights: tuple[Path, Path], out: Path, tmp_path: Path
) -> None:
    lights = sorted((nights[1] / "night2").iterdir())
    for some in (lights[:2], lights[2:]):
        assert command("run", "--add", *some, "--out", out).code == 0
    record = out / "provenance.json"
    done = command("run", "--again", record)
    assert done.code == 2
    assert "name another folder for that with --out" in done.err
    done = command("run", "--again", record, "--out", tmp_path / "again")
    assert done.code == 0, done.err
    assert "2 lights added to 12" in done.err
    assert "3 lights added to 14" in done.err
    assert done.err.count("look at") == 1
    assert_same_planes(tmp_path / "again", out)
    assert load(tmp_path / "again" / "provenance.json").steps == load(record).steps
