"""Colour calibration of simulated catalogue fields against what was put in, and of the real pair against its facts."""

from __future__ import annotations

import csv
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits

from catalogue_field import NAMED, QUICK, Made, made
from fourlight.pipeline.finished import StackFiles
from fourlight.pipeline.matched import matched_stars
from fourlight.pipeline.plate import Known
from fourlight.pipeline.run import run
from fourlight.pipeline.solving import solve_results
from fourlight.pipeline.star_table import read_stars
from fourlight.recipe import Recipe, with_settings
from fourlight.stages.canvas import Canvas

PAIR = Path(__file__).parents[1] / "authorities" / "real_pair"
COLOURS = ("R", "G", "B")


@pytest.fixture(scope="module")
def field(tmp_path_factory: pytest.TempPathFactory) -> Made:
    return made(tmp_path_factory.mktemp("colours"))


def test_zero_points(field: Made) -> None:
    """0.03 mag, and three of the errors that are claimed."""
    colour = field.summary["colour"]
    assert colour["stars"]["used"] > 40
    for plane in ("R", "G1", "G2", "B", "G"):
        point = colour["zero_points"][plane]
        off = point["magnitude"] - field.zero(plane)
        assert abs(off) < 0.03
        assert abs(off) < 3 * point["error"] < 0.1
        assert abs(point["colour_term"]) < 3 * point["colour_term_error"] + 0.05, (
            "the curves are those of the camera"
        )
        assert point["colour_term_error"] < 0.05


def test_sky_of_both_nights(field: Made) -> None:
    """The electrons that were put in, by the true zero point: 0.05 mag; the nights differ by a magnitude."""
    truth, found = field.truth, field.summary["colour"]["nights"]
    clear = np.percentile([frame["transparency"] for frame in truth["frames"]], 90)
    assert len(found) == 2
    for number, night in enumerate(found, 1):
        sky = [f["sky_e"] for f in truth["frames"] if f["file"].startswith(f"night{number}/")]
        rate = np.median(sky, axis=0) / 60 / truth["pixel_arcsec"] ** 2 / clear
        for k, name in enumerate(COLOURS):
            true = truth["zero_points"][name] - 2.5 * np.log10(rate[k])
            assert night["sky"][name] == pytest.approx(true, abs=0.05)
    assert found[1]["sky"]["V"] - found[0]["sky"]["V"] == pytest.approx(1.0, abs=0.05)


def test_white_star(field: Made) -> None:
    """Electrons of true stars of nearly the Sun's colour, times the factors, are alike in R, G and B to 2 %."""
    with (field.raw / "truth" / "stars.csv").open(encoding="utf-8") as stream:
        stars = [row for row in csv.DictReader(stream) if 0.5 < float(row["b_v"]) < 0.8]
    assert len(stars) > 5
    light = np.array([[float(row[name]) for name in ("r_e", "g_e", "b_e")] for row in stars])
    b_v = np.array([float(row["b_v"]) for row in stars])
    white = field.summary["colour"]["white"]
    log = np.log(light) + np.log([white["factors"][name] for name in COLOURS])
    log -= log.mean(axis=1, keepdims=True)
    for k in range(3):
        at_sun = np.polyval(np.polyfit(b_v - white["b_v"], log[:, k], 1), 0.0)
        assert at_sun == pytest.approx(0.0, abs=0.02)
    assert np.prod(list(white["factors"].values())) == pytest.approx(1.0)


def test_limits_are_what_half_stacks_show(field: Made) -> None:
    """Scatter of the light of fitted profiles in half of the difference of the halves, which has the noise of the stack
    and no stars; 0.15 mag for what stars leave of themselves in it and for neighbours that share samples."""
    for plane in COLOURS:
        with fits.open(field.out / "halves.fits") as units:
            noise = (units[f"{plane}_A"].data.astype(float) - units[f"{plane}_B"].data) / 2
        width = field.summary["planes"][plane]["fwhm_px"]
        v, u = np.mgrid[-9:10, -9:10]
        profile = (1 + (u**2 + v**2) * (2 ** (1 / 3) - 1) / (0.5 * width) ** 2) ** -3.0
        profile /= profile.sum()
        found = []
        for j in range(10, noise.shape[0] - 10, 5):
            for i in range(10, noise.shape[1] - 10, 5):
                box = noise[j - 9 : j + 10, i - 9 : i + 10]
                if np.isfinite(box).all():
                    found.append((profile * (box - np.median(box))).sum() / (profile**2).sum())
        assert len(found) > 1000
        sigma = 1.4826 * np.median(np.abs(found - np.median(found)))
        seen = field.zero(plane) - 2.5 * np.log10(5 * sigma / 60)
        assert field.summary["colour"]["limits"][plane] == pytest.approx(seen, abs=0.15)


def test_headers_and_page_tell_of_it(field: Made) -> None:
    white = field.summary["colour"]["white"]["factors"]
    with fits.open(field.out / "stack.fits", checksum=True) as units:
        assert units[0].header["WHITE_BV"] == 0.653
        assert [units[0].header[f"WHITE_{name}"] for name in COLOURS] == pytest.approx(list(white.values()))
        for plane in ("R", "G1", "G2", "B", "G"):
            header = units[plane].header
            assert header["CTYPE1"].startswith("RA---TAN")
            assert header["MAGZERO"] == pytest.approx(field.zero(plane), abs=0.03)
    with fits.open(field.out / "halves.fits", checksum=True) as units:
        assert all(unit.header["CTYPE1"].startswith("RA---TAN") for unit in units[1:])
    page = (field.out / "report.html").read_text(encoding="utf-8")
    assert "Colours by catalogue stars" in page
    assert "GRBG is right" in page
    assert (field.out / "figures" / "star-colours.svg").exists()


def test_matched_stars_for_others(field: Made, tmp_path: Path) -> None:
    """Their light is that of the truth: 2 % in the median over bright stars, 4 sigma for nearly all."""
    stack = StackFiles(field.out, Canvas(tmp_path, 1e9, 1))
    stars = matched_stars(str(field.out), stack, field.summary, read_stars(field.out))
    with (field.raw / "truth" / "stars.csv").open(encoding="utf-8") as stream:
        truth = [row for row in csv.DictReader(stream) if row["b_v"] != "nan"]
    place = np.array([[float(row["x_px"]), float(row["y_px"])] for row in truth])
    light = np.array([[float(row[name]) for name in ("r_e", "g_e", "g_e", "b_e")] for row in truth])
    matrix = reference_matrix(field)
    ratios, pulls = [], []
    for k in np.flatnonzero(stars.good & (stars.v_mag < 10)):
        x, y = matrix @ [stars.x[k], stars.y[k], 1.0]
        apart = np.hypot(*(place - [x, y]).T)
        if apart.min() > 1:
            continue
        ratio = stars.flux[k] / light[apart.argmin()]
        ratios.append(ratio)
        pulls.append((ratio - 1) / np.hypot(stars.flux_error[k] / stars.flux[k], 0.03))
    assert len(ratios) > 15
    assert np.median(ratios, axis=0) == pytest.approx([1, 1, 1, 1], abs=0.02)
    assert (np.abs(pulls) < 4).mean() > 0.9


def reference_matrix(field: Made) -> Any:
    name = field.summary["grid"]["reference"]
    frame = next(f for f in field.truth["frames"] if f["file"].endswith(name))
    return np.array(frame["matrix"])


def test_a_wrong_mosaic_is_told_with_what_to_do(field: Made, tmp_path: Path) -> None:
    """The recipe puts red and blue in each other's place, or takes greens for them; the stars say what is right."""
    for wrong in ("GBRG", "RGGB"):
        settings = [*QUICK, f"read.mosaic={wrong}"]
        summary = run([field.raw], tmp_path / wrong, with_settings(Recipe(), settings))
        found = summary["colour"]["mosaic"]
        assert (found["shown"], found["contradicted"]) == ("GRBG", True)
        assert any("--set read.mosaic=GRBG" in text for text in summary["to_know"])


def test_without_bias_the_sky_is_not_told(field: Made, tmp_path: Path) -> None:
    shutil.copytree(field.raw / "night1", tmp_path / "raw")
    summary = run([tmp_path / "raw"], tmp_path / "out", with_settings(Recipe(), QUICK))
    colour = summary["colour"]
    assert colour["nights"][0]["sky"] is None
    assert "take some" in colour["sky_problem"]
    assert colour["zero_points"]["G"]["magnitude"] == pytest.approx(field.zero("G"), abs=0.15)


def test_another_white_star_and_a_narrow_filter(field: Made, tmp_path: Path) -> None:
    """A red star as white needs less red; behind narrow bands the note says what stars cannot mend."""
    shutil.copytree(field.out, tmp_path / "out")
    sun = field.summary["colour"]["white"]["factors"]
    chosen = with_settings(Recipe(), [*NAMED, "sky.white_b_v=1.2"])
    red = solve_results(tmp_path / "out", Known(), colours=chosen)["colour"]["white"]
    assert red["factors"]["R"] < 0.9 * sun["R"]
    assert red["factors"]["B"] > 1.1 * sun["B"]
    narrow = solve_results(
        tmp_path / "out", Known(), colours=with_settings(Recipe(), ["gear.filter=dual-7nm"])
    )["colour"]
    assert narrow["narrow"]
    assert "cannot mend" in narrow["white"]["note"]
    assert all("V" not in night["sky"] for night in narrow["nights"])


def test_the_real_pair_settles_its_mosaic(tmp_path: Path) -> None:
    """README there: the header says RGGB, the array is GBRG; contrasts follow B-V with r = +0.81 and -0.73. The Moon of
    the header: MOONFRAC 0.487."""
    settings = [*QUICK, "sky.scale_arcsec=10.3"]
    summary = run([PAIR], tmp_path / "out", with_settings(Recipe(), settings))
    found = summary["colour"]["mosaic"]
    assert (found["shown"], found["contradicted"]) == ("GBRG", False)
    assert found["correlation"] > 0.7
    assert found["sigma"] > 5
    assert "though the header says RGGB" in found["sentence"]
    (night,) = summary["colour"]["nights"]
    assert night["moon"]["lit"] == pytest.approx(0.487, abs=0.001)
    assert night["sky"] is None
    followed = run([PAIR], tmp_path / "header", with_settings(Recipe(), [*settings, "read.mosaic=RGGB"]))
    assert followed["colour"]["mosaic"]["shown"] == "GBRG"
    assert any("the mosaic is GBRG, not RGGB" in text for text in followed["to_know"])
