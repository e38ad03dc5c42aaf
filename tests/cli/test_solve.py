"""``fourlight solve``: stacks and frames, and one line where it cannot."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
from astropy.coordinates import SkyCoord
from astropy.io import fits
from astropy.wcs import WCS
from PIL import Image

from fourlight.sky.catalogue import cone
from sky_lights import PLACE, write_lights

PAIR = Path(__file__).parents[1] / "authorities" / "real_pair"


@pytest.fixture
def out(under_the_sky, tmp_path):
    shutil.copytree(under_the_sky / "out", tmp_path / "out")
    return tmp_path / "out"


def samples(path):
    with fits.open(path) as units:
        return {unit.name: unit.data.tobytes() for unit in units[1:]}


def test_a_stack_gets_coordinates_and_keeps_its_samples(command, under_the_sky, out, untouched):
    before = {name: samples(out / name) for name in ("stack.fits", "halves.fits")}
    told = json.loads((out / "summary.json").read_text())
    with untouched(under_the_sky / "raw"):
        done = command("solve", out, "--json")
    assert done.code == 0, done.err
    assert {name: samples(out / name) for name in before} == before
    found, summary = json.loads(done.out), json.loads((out / "summary.json").read_text())
    assert found == {**summary["sky"], "colour": summary["colour"]}
    assert summary == told, "the run has found the same by the same stars"
    assert (found["ra_deg"], found["dec_deg"]) == pytest.approx(PLACE, abs=0.03)
    assert found["looked_for"] == "near the place that the header gives"
    with fits.open(out / "halves.fits", checksum=True) as units:
        assert all(unit.header["CTYPE1"].startswith("RA---TAN") for unit in units[1:])
    page = (out / "report.html").read_text(encoding="utf-8")
    assert page.count("<h2>Coordinates</h2>") == 1
    assert "Where it is on the sky" not in page, "the figure bears that title"
    assert found["named"][0]["name"] in page
    with Image.open(out / "figures" / "sky.png") as picture:
        assert min(picture.size) > 900


def test_stars_lie_where_astropy_reads_the_header(command, out):
    """Bright stars of the catalogue through astropy.wcs: each within half a pixel of the light's centre of gravity."""
    assert command("solve", out).code == 0
    with fits.open(out / "stack.fits") as units:
        wcs, plane = WCS(units["G"].header), units["G"].data.astype(float)
    stars = cone(*PLACE, 1.0, epoch=2031.04, faintest=9.5)
    checked = 0
    for x, y in zip(*wcs.all_world2pix(stars.ra_deg, stars.dec_deg, 0), strict=True):
        i, j = round(float(x)), round(float(y))
        box = plane[j - 4 : j + 5, i - 4 : i + 5]
        others = np.hypot(*(np.array(wcs.all_world2pix(stars.ra_deg, stars.dec_deg, 0)) - [[x], [y]]))
        if min(i, j) < 10 or i > 385 or j > 285 or np.sort(others)[1] < 12:
            continue
        light = np.clip(box - np.median(plane), 0, None)
        v, u = np.mgrid[-4:5, -4:5]
        centre = np.array([(u * light).sum(), (v * light).sum()]) / light.sum() + [i, j]
        assert np.hypot(*(centre - [x, y])) < 0.5
        checked += 1
    assert checked >= 8


@pytest.mark.slow
def test_solving_again_and_telling_more_keep_what_is_there(command, out):
    assert command("solve", out).code == 0
    once = (out / "stack.fits").read_bytes()
    assert command("solve", out, "--hint", "5:33:36,21:48:00", "--scale", 21.5).code == 0
    assert fits.getheader(out / "stack.fits", 1)["CRVAL1"] == pytest.approx(PLACE[0], abs=0.03)
    assert len((out / "stack.fits").read_bytes()) == len(once)
    assert command("channels", out).code == 0
    assert (out / "figures" / "sky.png").exists()
    assert "<h2>Coordinates</h2>" in (out / "report.html").read_text(encoding="utf-8")


def test_frames_of_a_real_camera_are_solved_and_only_read(command, untouched):
    """The second frame's header holds a solution of other makers (README there): ours agrees with it at the stars to
    1 px rms, which is what it is worth: catalogue stars miss it by as much, and ours by 0.1 px."""
    found = {}
    with untouched(PAIR):
        for name in ("unsolved.fits", "solved.fits.fz"):
            done = command("solve", PAIR / name, "--scale", 10.8, "--json")
            assert done.code == 0, done.err
            found[name] = json.loads(done.out)
    for one in found.values():
        assert one["scale_arcsec_px"] == pytest.approx(10.3, abs=0.05)
        assert one["stars"] > 150
        assert one["rms_px"] < 0.15
    ours, theirs = WCS(fits.Header(found["solved.fits.fz"]["cards"])), header_of_makers()
    x, y = np.random.default_rng(1).uniform(60, 640, (2, 300))
    seen = np.array(theirs.all_world2pix(*ours.all_pix2world(x, y, 0), 0))
    assert np.sqrt(((seen - [x, y]) ** 2).mean()) < 1.0
    first = WCS(fits.Header(found["unsolved.fits"]["cards"]))
    moved = np.array(first.all_world2pix(*ours.all_pix2world(x, y, 0), 0)) - [x, y]
    # README there: the second frame is displaced from the first by (0.51, 1.73) px
    assert np.abs(moved.mean(axis=1)) == pytest.approx([0.51, 1.73], abs=0.1)


def header_of_makers():
    with fits.open(PAIR / "solved.fits.fz") as units:
        header = units[1].header.copy()
    del header["DATE-OBS"]
    return WCS(header)


def test_without_a_place_the_whole_sky_is_searched(command, tmp_path):
    write_lights(tmp_path / "raw", 1, place=False)
    done = command("solve", tmp_path / "raw" / "light_0.fits", "--json")
    assert done.code == 0, done.err
    assert json.loads(done.out)["looked_for"] == "on the whole sky"


@pytest.mark.parametrize("optics", [True, False])
def test_a_flat_is_told_to_be_one(command, tmp_path, optics):
    write_lights(tmp_path / "raw", 1, optics=optics)
    path = tmp_path / "raw" / "light_0.fits"
    with fits.open(path, mode="update") as units:
        units[0].data[:] = np.random.default_rng(4).poisson(9000, units[0].data.shape)
        units[0].header["IMAGETYP"] = "FLAT"
    done = command("solve", path)
    assert done.code == 2
    assert done.line == f"{path}: is a flat by its header or name, and shows no field of stars; name a light"


def test_a_hint_that_is_wrong_is_told_with_how_far_it_is_off(command, tmp_path):
    """A place opposite in right ascension: astropy says how far that is."""
    write_lights(tmp_path / "raw", 1, place=False)
    wrong = ((PLACE[0] + 180) % 360, PLACE[1] - 20)
    done = command("solve", tmp_path / "raw" / "light_0.fits", "--hint", f"{wrong[0]},{wrong[1]}", "--json")
    assert done.code == 0, done.err
    away = SkyCoord(*PLACE, unit="deg").separation(SkyCoord(*wrong, unit="deg")).deg
    said = f"on the whole sky; the place that --hint gives is {away:.0f}° off"
    assert json.loads(done.out)["looked_for"] == said
    assert said in " ".join(done.err.split())


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--camera", "bsi-8mp"), "leave out --camera, or name the OUT"),
        (("--filter", "nonsense", "--white", 0.3), "leave out --filter and --white"),
        (("--scale", "abc"), "'abc' is found, a number is needed"),
    ],
)
def test_what_goes_with_no_frame_is_refused(command, under_the_sky, words, said):
    done = command("solve", under_the_sky / "raw" / "light_0.fits", *words)
    assert done.code == 2
    assert said in done.line


@pytest.mark.parametrize("hint", ["M 42", "83.8", "400,10", "83.8,99", "1,2,3", ""])
def test_a_hint_that_is_no_place(command, out, hint):
    done = command("solve", out, "--hint", hint)
    assert done.code == 2
    assert "degrees (83.82,-5.39)" in done.line


def test_what_cannot_be_solved_is_told_in_a_line(command, tmp_path, small_night):
    """No scale; no folder of results; no frame; no catalogue star (an invented sky)."""
    write_lights(tmp_path / "raw", 1, optics=False)
    done = command("solve", tmp_path / "raw" / "light_0.fits")
    assert (done.code, "give --scale ARCSEC" in done.line) == (2, True)
    done = command("solve", tmp_path / "raw")
    assert (done.code, "is no folder of results" in done.line) == (2, True)
    done = command("solve", tmp_path / "nothing.fits")
    assert (done.code, "no such file" in done.line) == (2, True)
    done = command("solve", tmp_path / "raw" / "light_0.fits", "--scale", -3)
    assert (done.code, "arcsec per pixel are needed" in done.line) == (2, True)
    light = next(path for path in sorted(small_night.rglob("*.fits")) if "light" in path.name.lower())
    done = command("solve", light, "--scale", 2.0, "--hint", "83.8,-5.4")
    assert done.code == 1
    assert "stars in the picture" in done.line


def test_few_stars_are_told(command, tmp_path):
    write_lights(tmp_path / "raw", 1)
    path = tmp_path / "raw" / "light_0.fits"
    image, header = fits.getdata(path), fits.getheader(path)
    dark = np.random.default_rng(1).poisson(900, image.shape).astype(np.uint16)
    fits.writeto(tmp_path / "few.fits", dark, header)
    done = command("solve", tmp_path / "few.fits")
    assert (done.code, "0 stars found; 5 at least" in done.line) == (1, True)
