"""What inspect foresees and what a run says at its end are the same sentences, each said once."""

from __future__ import annotations

import re
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits

from fourlight.pipeline import job
from fourlight.provenance import file_hash
from fourlight.simulate.render import simulate
from fourlight.simulate.scene import loads
from plain_runs import PLAINLY

NIGHTS = """
seed = 5
[object]
size = 0.7
[camera]
width_px = 360
height_px = 270
[stars]
count = 150
cluster_count = 0
[calibration]
darks = 3
dark_exposure_s = 60
[[nights]]
count = 3
[[nights]]
count = 3
start_utc = "2031-08-15T23:30:00"
"""
STILL = """
seed = 4
[camera]
width_px = 240
height_px = 180
[stars]
count = 70
cluster_count = 0
[[nights]]
count = 6
dither_px = 0.02
"""


@pytest.fixture(scope="module")
def six(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder of two nights with three lights each and darks of another exposure; not to be changed."""
    out = tmp_path_factory.mktemp("six") / "sim"
    simulate(loads(NIGHTS), out)
    return out


def rewritten(path: Path, to: Path | None = None, change: Any = None, **cards: Any) -> None:
    with fits.open(path) as hdus:
        image, header = hdus[0].data.copy(), hdus[0].header
    for name, value in cards.items():
        header.remove(name.replace("_", "-"), ignore_missing=True)
        if value is not None:
            header[name.replace("_", "-")] = value
    image = image if change is None else change(image)
    fits.PrimaryHDU(image, header).writeto(to or path, overwrite=True)


def without_last_rows(image: Any) -> Any:
    return np.where(np.arange(len(image))[:, None] < 200, image, 0).astype(image.dtype)


def odd_nights(six: Path, folder: Path) -> Path:
    """One of everything that is used although something is odd about it, and copies and other kinds."""
    for night in ("night1", "night2", "darks"):
        shutil.copytree(six / night, folder / night)
    one, two = folder / "night1", folder / "night2"
    rewritten(one / "light_0002.fits", change=without_last_rows)
    rewritten(two / "light_0001.fits", BAYERPAT=None)
    rewritten(two / "light_0002.fits", BAYERPAT="GRBG")
    rewritten(two / "light_0003.fits", EXPTIME=120.0)
    rewritten(one / "light_0003.fits", one / "other.fits", INSTRUME="other", DATE_OBS="2031-08-14T20:00:00")
    rewritten(folder / "darks" / "dark_0002.fits", EXPOSURE=61.0)
    shutil.copy(one / "light_0001.fits", one / "copy of 1.fits")
    return folder


def told(text: str, heading: str) -> list[str]:
    """Lines of inspect or of a run under a heading."""
    found = [line for line in text.splitlines() if line.startswith(heading)]
    return [line.removeprefix(heading).lstrip(": ") for line in found]


def test_a_run_says_at_its_end_what_inspect_foresaw(command: Any, six: Path, tmp_path: Path) -> None:
    nights = odd_nights(six, tmp_path / "nights")
    seen, done = command("inspect", nights), command("run", nights, "--out", tmp_path / "out")
    assert (seen.code, done.code) == (0, 0), done.err
    foreseen, known = told(seen.out, "to know"), told(done.err, "to know")
    assert foreseen == [line for line in known if "drops of" not in line]
    assert len(known) - len(foreseen) <= 1, "how large drops are is known to the run alone"
    assert told(seen.out, "set aside") == told(done.err, "set aside")
    calibration = ["no dark applied, no flat applied"]
    assert told(seen.out, "calibration") == calibration
    assert told(done.err, "calibration") == calibration
    begun = [
        "the lights are of 2 kinds (camera, size, gain or filter)",
        "the lights differ in exposure (5 of 180 s, 1 of 120 s)",
        "3 darks (60 s, -10 C) left out: the lights are 180 s long, and without bias frames",
        "3 darks (60 s, -10 C) left out: the lights are 120 s long, and without bias frames",
        "dark_0002.fits: EXPTIME says 60 s, EXPOSURE 61 s; the first is used",
        "night1/light_0002.fits: rows 200-269 of 270 hold one value only (0), as where a transfer was cut",
        "night2/light_0001.fits: no mosaic in the header; RGGB of the other lights is taken",
        "night2/light_0002.fits: the header says GRBG, those of the other lights RGGB",
    ]
    assert [words for words in begun if sum(line.startswith(words) for line in foreseen) != 1] == []
    assert told(done.err, "set aside")[1:] == [
        "'copy of 1.fits': a copy of night1/light_0001.fits; each exposure counts once"
    ]
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    for words in (
        "night1/light_0002.fits: rows 200-269",
        "night2/light_0001.fits: no mosaic",
        "are of 2 kinds",
    ):
        assert page.count(words) == 1


def test_lights_that_are_hardly_dithered_are_told(command: Any, tmp_path: Path) -> None:
    simulate(loads(STILL), tmp_path / "sim")
    done = command("run", tmp_path / "sim" / "night1", "--out", tmp_path / "out", *PLAINLY)
    assert done.code == 0, done.err
    (line,) = told(done.err, "to know")
    assert line.startswith(
        "the 6 frames are hardly dithered: their red and blue samples fall on the same places"
    )
    assert line.endswith("dither by a few pixels between subs")
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert page.count("are hardly dithered: their red") == 1


def test_copies_neither_choose_the_kind_nor_the_mosaic(command: Any, six: Path, tmp_path: Path) -> None:
    """Three lights against two of another filter in two files each, and against one mirrored one in four files."""
    nights = tmp_path / "nights"
    shutil.copytree(six / "night1", nights)
    for number in (1, 2):
        for copy in "ab":
            rewritten(
                six / "night2" / f"light_000{number}.fits", nights / f"b{number}{copy}.fits", FILTER="Other"
            )
    for copy in "cdef":
        rewritten(six / "night2" / "light_0003.fits", nights / f"m{copy}.fits", lambda image: image[::-1])
    done, seen = command("run", nights, "--out", tmp_path / "out", *PLAINLY), command("inspect", nights)
    assert done.code == 0, done.err
    assert "3 lights integrated" in done.err
    aside = told(done.err, "set aside")
    assert aside[0].startswith("b1a.fits, b1b.fits, b2a.fits, b2b.fits: filter other instead of luminance")
    assert aside[1] == "md.fits, me.fits, mf.fits: a copy of mc.fits; each exposure counts once"
    assert aside[2].startswith("mc.fits: its pixels show the greens on [0,0] and [1,1]")
    assert told(seen.out, "set aside") == aside


def test_no_file_is_read_twice_to_find_copies(
    command: Any, six: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two kinds of lights, in one of which a file has a copy of equal size and date."""
    nights = tmp_path / "nights"
    shutil.copytree(six / "night1", nights)
    shutil.copy(nights / "light_0001.fits", nights / "again.fits")
    rewritten(six / "night2" / "light_0001.fits", nights / "b.fits", GAIN=200)
    read: list[str] = []

    def counted(path: Path) -> str:
        read.append(path.name)
        return file_hash(path)

    monkeypatch.setattr(job, "file_hash", counted)
    seen = command("inspect", nights)
    assert (
        told(seen.out, "set aside")[-1] == "again.fits: a copy of light_0001.fits; each exposure counts once"
    )
    assert sorted(read) == ["again.fits", "light_0001.fits"]
    read.clear()
    done = command("run", nights, "--out", tmp_path / "out", *PLAINLY)
    assert done.code == 0, done.err
    assert sorted(read) == sorted(path.name for path in nights.iterdir() if path.name != "b.fits")


def test_two_lights_are_too_few_to_compare_their_noise(command: Any, six: Path, tmp_path: Path) -> None:
    pair = [six / "night1" / f"light_000{number}.fits" for number in (1, 2)]
    done = command("run", *pair, "--out", tmp_path / "pair", *PLAINLY)
    assert done.code == 0, done.err
    assert "noise between" not in done.err
    assert not told(done.err, "noise ")


def test_a_light_of_another_field_is_told_from_the_reference_by_its_name(
    command: Any, six: Path, tmp_path: Path
) -> None:
    """The reference is called as everywhere else."""
    nights = tmp_path / "nights"
    for night in ("night1", "night2"):
        shutil.copytree(six / night, nights / night)
    simulate(loads(NIGHTS.replace("seed = 5", "seed = 6")), tmp_path / "elsewhere")
    shutil.copy(tmp_path / "elsewhere" / "night2" / "light_0003.fits", nights / "night2")
    done = command("run", nights, "--out", tmp_path / "out", *PLAINLY)
    assert done.code == 0, done.err
    (reference,) = [line.split(" registered to ")[1].split(";")[0] for line in told(done.err, "register ")]
    assert reference.startswith("night")
    (aside,) = told(done.err, "set aside")
    assert re.search(rf"its \d+ stars do not match the \d+ of {re.escape(reference)} \(other field", aside)
