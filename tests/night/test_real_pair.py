"""The main job on a real pair of frames (tests/authorities/real_pair/README.md: source, licence, facts)."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import sep
from astropy.io import fits
from PIL import Image

from fourlight.pipeline.run import run
from fourlight.recipe import Recipe

PAIR = Path(__file__).parents[1] / "authorities" / "real_pair"


@pytest.fixture(scope="module")
def out(tmp_path_factory: pytest.TempPathFactory, request: pytest.FixtureRequest) -> Path:
    folder = tmp_path_factory.mktemp("pair") / "out"
    before = {path: (path.read_bytes(), path.stat().st_mtime_ns) for path in PAIR.iterdir()}
    run([PAIR], folder, Recipe())
    assert {path: (path.read_bytes(), path.stat().st_mtime_ns) for path in PAIR.iterdir()} == before
    return folder


@pytest.fixture(scope="module")
def summary(out: Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((out / "summary.json").read_text())
    return found


def test_the_header_is_contradicted_and_the_report_says_so(out: Path, summary: dict[str, Any]) -> None:
    # README there: the header says RGGB, the stored array is GBRG.
    mosaic = summary["mosaic"]
    assert (mosaic["pattern"], mosaic["stated"], mosaic["source"]) == ("GBRG", "RGGB", "pixels")
    assert "FILTER says RGGB" in mosaic["contradiction"]
    page = (out / "report.html").read_text(encoding="utf-8")
    assert "GBRG" in page
    assert "FILTER says RGGB" in page


def test_the_shift_between_the_frames(summary: dict[str, Any]) -> None:
    # README there: the second frame is displaced by (0.51, 1.73) px from the first.
    matrix = {frame["file"]: np.array(frame["matrix"]) for frame in summary["frames"]}
    centre = np.array([349.5, 349.5, 1.0])
    shift = matrix["unsolved.fits"] @ centre - matrix["solved.fits.fz"] @ centre
    assert shift == pytest.approx([0.51, 1.73], abs=0.1)
    assert np.abs(matrix["unsolved.fits"][:, :2] - np.eye(2)).max() < 1e-3


def test_nothing_is_claimed_that_two_frames_without_bias_cannot_tell(summary: dict[str, Any]) -> None:
    assert summary["set_aside"] == []
    assert summary["integration"]["total_exposure_s"] == pytest.approx(240.8, abs=0.5)
    # Two frames under one sky leave the gain 8 % uncertain, and the header does not state it.
    assert summary["noise"]["gain_source"] == "unknown"
    assert summary["unit"] == "adu"


def test_bright_stars_have_colours(out: Path, summary: dict[str, Any]) -> None:
    """Field stars span more than a magnitude in colour; the picture shows it, and on the whole it is neutral."""
    with fits.open(out / "stack.fits") as hdus:
        planes = {name: np.nan_to_num(hdus[name].data.astype(np.float64)) for name in ("R", "G", "B")}
    sky = sep.Background(planes["G"])
    stars = sep.extract(planes["G"] - sky.back(), 20 * sky.globalrms)
    stars = stars[(stars["flag"] == 0) & (stars["peak"] < 0.3 * stars["peak"].max())]
    x, y = stars["x"], stars["y"]
    inside = (x > 12) & (x < 687) & (y > 12) & (y < 687)
    x, y = x[inside], y[inside]
    assert len(x) > 100
    flux = {name: sep.sum_circle(p - sep.Background(p).back(), x, y, 4.0)[0] for name, p in planes.items()}
    good = (flux["R"] > 0) & (flux["B"] > 0)
    index = 2.5 * np.log10(flux["R"][good] / flux["B"][good])
    assert np.percentile(index, 95) - np.percentile(index, 5) > 0.8
    picture = np.asarray(Image.open(out / "picture.png").convert("RGB"), dtype=float)
    y0, _, x0, _ = window(summary, picture.shape)
    red, blue = x[good][index > np.percentile(index, 90)], x[good][index < np.percentile(index, 10)]
    red_y, blue_y = y[good][index > np.percentile(index, 90)], y[good][index < np.percentile(index, 10)]
    assert warmth(picture, red - x0, red_y - y0) > warmth(picture, blue - x0, blue_y - y0) + 15


def test_catalogue_red_stars_are_red(out: Path, summary: dict[str, Any]) -> None:
    """B-V of the catalogue (README there) against warmth in the picture: red and blue are not swapped.

    Places in stars.csv are those of the second frame, which the stack shows 0.51, 1.73 px further up and left.
    """
    stars = np.genfromtxt(PAIR / "stars.csv", delimiter=",", names=True)
    stars = stars[(stars["v_mag"] > 6) & (stars["v_mag"] < 10)]
    picture = np.asarray(Image.open(out / "picture.png").convert("RGB"), dtype=float)
    y0, _, x0, _ = window(summary, picture.shape)
    x, y = stars["x_px"] - 0.51 - x0, stars["y_px"] - 1.73 - y0
    warm = np.array([warmth(picture, [a], [b]) for a, b in zip(x, y, strict=True)])
    assert len(stars) > 60
    # The raw planes correlate at 0.7-0.8 with B-V (README there); a swap would make this negative.
    assert np.corrcoef(stars["b_v"], warm)[0, 1] > 0.5
    red, blue = stars["b_v"] > 1.2, stars["b_v"] < 0.2
    assert np.median(warm[red]) > 10 > -10 > np.median(warm[blue])


def window(summary: dict[str, Any], shape: tuple[int, ...]) -> tuple[int, int, int, int]:
    y0, y1, x0, x1 = summary["picture"]["window"]
    assert (y1 - y0, x1 - x0) == shape[:2]
    return y0, y1, x0, x1


def warmth(picture: Any, x: Any, y: Any) -> float:
    """Median of red less blue, of 255, over the 5 x 5 pixels around places."""
    found = []
    for i, j in zip(np.rint(x).astype(int), np.rint(y).astype(int), strict=True):
        patch = picture[max(j - 2, 0) : j + 3, max(i - 2, 0) : i + 3]
        if patch.size:
            found.append(float((patch[..., 0] - patch[..., 2]).mean()))
    return float(np.median(found))
