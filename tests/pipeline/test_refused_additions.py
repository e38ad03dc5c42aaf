"""Lights that cannot be added to kept sums: the stack is that of a run on all of them, whatever was kept."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits

from fourlight.pipeline.run import run
from fourlight.recipe import Recipe, with_settings
from fourlight.simulate.render import simulate
from fourlight.simulate.scene import loads
from kept_stacks import KEEP, assert_same_planes, planes
from plain_runs import PLAIN

SCENE = """
seed = 11
exposure_s = 120.0
[object]
kind = "none"
[stars]
count = 160
brightest_mag = 9.0
faintest_mag = 13.5
cluster_count = 0
[optics]
vignetting = 0.0
dust_motes = 0
[camera]
width_px = 300
height_px = 240
hot_share = 0.0
cosmic_rays_per_cm2_s = 0.0
[calibration]
bias = 5
flats = 5
[[nights]]
count = 8
sky_mag = 18.5
seeing_arcsec = 3.2
[[nights]]
count = 4
sky_mag = 21.0
seeing_arcsec = 2.2
start_utc = "2031-08-15T23:30:00"
[[nights]]
count = 4
sky_mag = 20.5
start_utc = "2031-08-16T23:30:00"
"""
BRIGHT = "light_0003.fits"


@pytest.fixture(scope="module")
def skies(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Nights under a bright sky, a dark one, and one between."""
    root = tmp_path_factory.mktemp("skies") / "sim"
    simulate(loads(SCENE), root)
    for name in ("bias", "flats"):
        shutil.move(root / name, root / "calibration" / name)
    return root


def levels(image: Any) -> Any:
    """Median of each of 6 x 6 parts of an image."""
    ny, nx = (side // 6 for side in image.shape)
    return np.nanmedian(image[: 6 * ny, : 6 * nx].reshape(6, ny, 6, nx), axis=(1, 3))


def same(out: Path, whole: Path, most: float) -> None:
    """Both stacks have one sky, to a share of the noise of a pixel.

    Single pixels differ by more: the noise of kinds of lights, and their defects, are judged apart.
    """
    ours = planes(out)
    for plane, (value, variance) in planes(whole).items():
        gap = levels((ours[plane][0] - value) / np.sqrt(np.nanmedian(variance)))
        assert np.abs(gap).max() < most, plane
        assert np.nanmedian(ours[plane][1] / variance) == pytest.approx(1, abs=0.05)


def named(out: Path) -> Recipe:
    """Recipe for a run with the reference of this one."""
    reference = Path(json.loads((out / "summary.json").read_text())["grid"]["reference"])
    return with_settings(Recipe(), [*PLAIN, f"registration.reference={'/'.join(reference.parts[-2:])}"])


def test_a_reference_that_is_set_aside_now_is_replaced(
    command: Any, wide: tuple[Path, Path, Path], tmp_path: Path
) -> None:
    """A copy of it with a better name is among the new lights, and each exposure counts once.

    Nothing of the first stack is left: levels are those of a run on all lights with the same reference.
    """
    nights, out = wide[:2], tmp_path / "out"
    shutil.copytree(wide[2], out)
    reference = json.loads((out / "summary.json").read_text())["grid"]["reference"]
    for number, path in enumerate(
        [nights[0] / "night1" / Path(reference).name, *(nights[1] / "night2").iterdir()]
    ):
        (tmp_path / "new").mkdir(exist_ok=True)
        shutil.copy(path, tmp_path / "new" / f"l{number}.fits")
    done = command("run", "--add", tmp_path / "new", "--out", out)
    assert done.code == 0, done.err
    assert "is in the sums that were kept, and is set aside now: all 17 lights are integrated" in done.err
    whole = tmp_path / "whole"
    run([nights[0], tmp_path / "new"], whole, named(out))
    same(out, whole, 0.02)


def test_a_reference_under_a_bright_sky_that_is_set_aside(command: Any, skies: Path, tmp_path: Path) -> None:
    """The next one lies under a dark sky: what the others had over the first is no sky of theirs over that."""
    out, new, whole = tmp_path / "out", tmp_path / "new", tmp_path / "whole"
    keep = [*KEEP, f"registration.reference=night1/{BRIGHT}"]
    run([skies / "night1", skies / "night2", skies / "calibration"], out, with_settings(Recipe(), keep))
    new.mkdir()
    for number, path in enumerate([skies / "night1" / BRIGHT, *sorted((skies / "night3").iterdir())]):
        shutil.copy(path, new / f"l{number}.fits")
    done = command("run", "--add", new, "--out", out)
    assert done.code == 0, done.err
    assert "is set aside now: all 16 lights are integrated" in done.err
    run([skies / "night1", skies / "night2", skies / "calibration", new], whole, named(out))
    same(out, whole, 0.02)


def test_so_many_new_lights_that_the_way_changes(command: Any, skies: Path, tmp_path: Path) -> None:
    """Four lights by drops, then twelve more by least squares."""
    out, whole = tmp_path / "out", tmp_path / "whole"
    run([skies / "night3", skies / "calibration"], out, with_settings(Recipe(), KEEP))
    done = command("run", "--add", skies / "night1", skies / "night2", "--out", out)
    assert done.code == 0, done.err
    assert "the stack is made by least squares: all 16 lights are integrated" in done.err
    run([skies / name for name in ("night3", "calibration", "night1", "night2")], whole, named(out))
    same(out, whole, 0.008)


def test_copies_of_all_lights_that_are_better_named(command: Any, skies: Path, tmp_path: Path) -> None:
    """The first stack is of copies; their originals are added, and each exposure counts once."""
    copies, out, whole = tmp_path / "copies", tmp_path / "out", tmp_path / "whole"
    copies.mkdir()
    for path in (skies / "night3").iterdir():
        shutil.copy(path, copies / f"{path.stem} (1).fits")
    run([copies], out, with_settings(Recipe(), KEEP))
    done = command("run", "--add", skies / "night3", "--out", out)
    assert done.code == 0, done.err
    assert "all lights in the sums that were kept are set aside now: the other 4 are integrated" in done.err
    run([skies / "night3", copies], whole, with_settings(Recipe(), PLAIN))
    assert_same_planes(out, whole)
    again = command("run", "--again", out / "provenance.json", "--out", tmp_path / "again")
    assert again.code == 0, again.err
    np.testing.assert_array_equal(planes(tmp_path / "again")["G"][0], planes(out)["G"][0])


def test_copies_of_all_lights_of_one_kind(command: Any, skies: Path, tmp_path: Path) -> None:
    """The first kind leaves the sums; lights of the other kind are there still."""
    first, new, out = tmp_path / "first", tmp_path / "new", tmp_path / "out"
    for folder in (first / "a", first / "b", new):
        folder.mkdir(parents=True)
    for path in (skies / "night1").iterdir():
        shutil.copy(path, first / "a" / f"{path.stem} (1).fits")
        shutil.copy(path, new)
    for path in (skies / "night3").iterdir():
        with fits.open(path) as hdus:
            hdus[0].header["INSTRUME"] = "second camera"
            hdus.writeto(first / "b" / path.name)
    run([first], out, with_settings(Recipe(), KEEP))
    done = command("run", "--add", new, "--out", out)
    assert done.code == 0, done.err
    assert "is set aside now: all 12 lights are integrated" in done.err
    summary = json.loads((out / "summary.json").read_text())
    assert sorted(len(kind["files"]) for kind in summary["kinds"]) == [4, 8]
