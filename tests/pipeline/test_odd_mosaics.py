"""Single lights whose mosaic is not that of the others: mirrored, turned, cropped, or with a wrong header."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits

from fourlight.simulate.render import simulate
from fourlight.simulate.scene import loads
from plain_runs import PLAINLY

NIGHT = """
seed = 8
[object]
size = 0.7
[camera]
width_px = 360
height_px = 270
[stars]
count = 150
cluster_count = 0
[[nights]]
count = 5
"""


@pytest.fixture(scope="module")
def five(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder of five RGGB lights, not to be changed."""
    out = tmp_path_factory.mktemp("five") / "sim"
    simulate(loads(NIGHT), out)
    return out / "night1"


@pytest.fixture
def lights(five: Path, tmp_path: Path) -> Path:
    folder = tmp_path / "lights"
    folder.mkdir()
    for path in five.iterdir():
        (folder / path.name).write_bytes(path.read_bytes())
    return folder


def rewritten(path: Path, change: Any = None, **cards: Any) -> None:
    with fits.open(path) as hdus:
        image, header = hdus[0].data.copy(), hdus[0].header
    header.update(cards)
    fits.PrimaryHDU(image if change is None else change(image), header).writeto(path, overwrite=True)


def ran(command: Any, folder: Path, out: Path, *words: str) -> dict[str, Any]:
    done = command("run", folder, "--out", out, *PLAINLY, *words)
    assert done.code == 0, done.err
    found: dict[str, Any] = json.loads((out / "summary.json").read_text())
    return found


def reasons(summary: dict[str, Any]) -> dict[str, str]:
    return {item["file"]: item["reason"] for item in summary["set_aside"]}


def upside_down(image: Any) -> Any:
    return image[::-1]


def one_row_later(image: Any) -> Any:
    return np.concatenate([image[1:], image[-2:-1]])


@pytest.mark.parametrize("change", [upside_down, one_row_later])
def test_rows_mirrored_or_moved_under_an_unchanged_header(
    command: Any, lights: Path, tmp_path: Path, change: Any
) -> None:
    rewritten(lights / "light_0001.fits", change)
    found = ran(command, lights, tmp_path / "out")
    assert reasons(found).keys() == {"light_0001.fits"}
    said = reasons(found)["light_0001.fits"]
    assert "its pixels show the greens on [0,0] and [1,1]" in said
    assert "those of the other lights on [0,1] and [1,0], though its header says the same as theirs" in said
    assert found["mosaic"]["pattern"] == "RGGB"
    assert found["mosaic"]["contradiction"] is None
    assert f"light_0001.fits: {said}" in " ".join(command("inspect", lights).out.split())


def test_mirrored_with_the_pattern_set_in_the_recipe(command: Any, lights: Path, tmp_path: Path) -> None:
    rewritten(lights / "light_0004.fits", upside_down)
    found = ran(command, lights, tmp_path / "out", "--set", "read.mosaic=RGGB")
    assert reasons(found).keys() == {"light_0004.fits"}


def test_mirrored_under_a_header_that_says_so_is_another_kind(
    command: Any, lights: Path, tmp_path: Path
) -> None:
    rewritten(lights / "light_0002.fits", upside_down, BAYERPAT="GBRG")
    said = reasons(ran(command, lights, tmp_path / "out"))["light_0002.fits"]
    assert said.startswith("mosaic GBRG instead of RGGB, in its header and in its pixels")


def test_a_wrong_header_over_pixels_as_those_of_the_others(
    command: Any, lights: Path, tmp_path: Path
) -> None:
    """GRBG puts the greens where the pixels show red and blue: the pixels count, and it is said."""
    rewritten(lights / "light_0003.fits", BAYERPAT="GRBG")
    found = ran(command, lights, tmp_path / "out")
    assert not found["set_aside"]
    said = "light_0003.fits: the header says GRBG, those of the other lights RGGB; the pixels are as theirs"
    assert any(line.startswith(said) for line in found["to_know"])
    assert f"to know: {said}" in command("inspect", lights).out


def test_a_header_that_pixels_cannot_refute(command: Any, lights: Path, tmp_path: Path) -> None:
    """BGGR has the greens of RGGB; believed, the light is another kind; overruled, its stars must agree."""
    rewritten(lights / "light_0003.fits", BAYERPAT="BGGR")
    said = reasons(ran(command, lights, tmp_path / "out"))["light_0003.fits"]
    assert said.startswith(
        "mosaic BGGR instead of RGGB in its header, and its pixels do not speak against it"
    )
    assert "set read.mosaic=RGGB if the header is wrong" in said
    assert not ran(command, lights, tmp_path / "set", "--set", "read.mosaic=RGGB")["set_aside"]


@pytest.mark.parametrize("reference", [False, True])
def test_a_light_turned_by_half_a_circle_under_its_old_header(
    command: Any, lights: Path, tmp_path: Path, reference: bool
) -> None:
    """Its greens stay where they were, red and blue do not: the stars' colours tell, after registration.

    As the reference it is the one that differs from all others.
    """
    rewritten(lights / "light_0005.fits", lambda image: image[::-1, ::-1])
    words = ("--set", "registration.reference=light_0005.fits") if reference else ()
    found = ran(command, lights, tmp_path / "out", *words)
    assert reasons(found).keys() == {"light_0005.fits"}
    assert "its red stars are blue in the other lights" in reasons(found)["light_0005.fits"]
    assert found["grid"]["reference"] != "light_0005.fits"
