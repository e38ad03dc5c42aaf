"""``fourlight picture``: other looks of a finished stack, from what is kept of its steps."""

from __future__ import annotations

import json
import shutil

import numpy as np
import pytest
import tifffile
from astropy.io import fits
from astropy.wcs import WCS
from PIL import Image

from fourlight.cli.app import build
from fourlight.pipeline.linear_sky import framing_of
from fourlight.pipeline.star_table import read_stars
from fourlight.stages.finish import STEPS


@pytest.fixture(scope="module")
def finished(under_the_sky, tmp_path_factory):
    """OUT of a run whose picture was made anew without changes."""
    out = tmp_path_factory.mktemp("picture") / "out"
    shutil.copytree(under_the_sky / "out", out)
    assert build(["picture", str(out)]) == 0
    return out


@pytest.fixture
def out(finished, tmp_path):
    shutil.copytree(finished, tmp_path / "out")
    return tmp_path / "out"


def kept(out):
    return {path.name: path.stat().st_mtime_ns for path in (out / "work" / "picture").iterdir()}


def test_without_changes_the_picture_is_that_of_the_run(finished, under_the_sky):
    first = under_the_sky / "out"
    assert not (first / "work" / "picture").exists(), "nothing was kept that it could be made of"
    for name in ("picture.tif", "picture.png", "picture.jpg", "stack.fits", "halves.fits", "provenance.json"):
        assert (finished / name).read_bytes() == (first / name).read_bytes(), name


def test_looks_differ_and_steps_that_take_long_are_not_made_again(command, out):
    before, first = tifffile.imread(out / "picture.tif"), kept(out)
    assert {name.partition("-")[0] for name in first} == {"starlight", "sharpen", "denoise"}
    done = command("picture", out, "--look", "bold", "--set", "finish.stretch.background=0.2")
    assert done.code == 0, done.err
    assert kept(out) == first
    after = tifffile.imread(out / "picture.tif")
    assert np.median(after) / 65535 == pytest.approx(0.2, abs=0.03)
    assert np.median(before) / 65535 == pytest.approx(0.09, abs=0.03)
    facts = json.loads((out / "summary.json").read_text())["picture"]
    assert facts["look"] == "bold"
    assert sum(facts["weights"].values()) == pytest.approx(1.0)


@pytest.mark.parametrize(("since", "again"), [("stretch", False), ("denoise", True), ("gradient", True)])
def test_a_step_and_all_after_it_can_be_made_anew(command, out, since, again):
    first, before = kept(out), (out / "picture.tif").read_bytes()
    assert command("picture", out, "--from", since).code == 0
    assert (kept(out) != first) == again
    assert (out / "picture.tif").read_bytes() == before


def test_settings_of_a_step_make_it_anew(command, out):
    first = kept(out)
    assert command("picture", out, "--set", "finish.denoise.strength=0.2").code == 0
    assert len(kept(out)) == len(first)
    # what comes before it stays
    assert {name.partition("-")[0] for name in kept(out).keys() & first.keys()} == {"starlight", "sharpen"}


def test_every_step_has_its_picture_here_and_in_the_report(command, out):
    assert command("picture", out, "--look", "plain").code == 0
    steps = json.loads((out / "summary.json").read_text())["picture"]["steps"]
    assert [step["name"] for step in steps] == ["stack", *(name for name in STEPS if name != "stars")]
    shown = [step["name"] for step in steps if step["file"]]
    assert set(STEPS) - set(shown) == {"sharpen", "stars"}  # it is told why; fewer stars are not asked for
    assert next(step["notes"] for step in steps if step["name"] == "sharpen")
    assert sorted(path.name for path in (out / "steps").iterdir()) == [
        f"{number}-{name}.jpg" for number, name in enumerate(shown, start=1)
    ]
    last = tifffile.imread(out / "picture.tif").astype(float) / 257
    with Image.open(out / steps[-1]["file"]) as image:
        assert np.abs(np.asarray(image, dtype=float) - last).mean() < 4.0  # JPEG at quality 88 of noise
    page = (out / "report.html").read_text(encoding="utf-8")
    assert page.count('<figure><img src="data:image/jpeg') == len(shown)
    assert page.count('alt="The picture beside a map of what was smoothed"') == 1
    assert "How the picture was made" in page


def test_fewer_stars_and_light_before_the_curve_are_written(command, out):
    done = command("picture", out, "--set", "finish.stars.light=0.5", "--set", "finish.files.linear=true")
    assert done.code == 0, done.err
    with fits.open(out / "picture.fits") as file:
        assert [unit.name for unit in file[1:]] == [
            "R", "R_STARLESS", "G", "G_STARLESS", "B", "B_STARLESS",
        ]  # fmt: skip
        assert {unit.header["BUNIT"] for unit in file[1:]} == {"adu"}, "the gain of this camera is not known"
        whole, rest = file["G"].data, file["G_STARLESS"].data
    y0, y1, x0, x1 = json.loads((out / "summary.json").read_text())["picture"]["window"]
    assert whole.shape == (y1 - y0, x1 - x0)
    assert (whole - rest).max() > 20 * np.abs(np.median(whole - rest))
    assert (out / "honesty.jpg").exists()
    first = kept(out)
    assert command("picture", out, "--set", "finish.stars.light=0.2").code == 0
    assert kept(out) == first  # stars are taken off once
    assert command("picture", out).code == 0
    assert kept(out) == first  # nor is anything made anew without them
    assert command("picture", out, "--set", "finish.stars.light=0.2", "--from", "stars").code == 0
    again = {name.partition("-")[0] for name, when in kept(out).items() if first[name] != when}
    assert again == {"starless", "stars"}
    summary = json.loads((out / "summary.json").read_text())
    (out / "summary.json").write_text(json.dumps(summary | {"unit": "electron"}))  # as of a known one
    done = command("picture", out, "--set", "finish.files.linear=true")
    assert fits.getheader(out / "picture.fits", "G")["BUNIT"] == "electron"
    assert "is gone" not in done.err
    done = command("picture", out)
    assert "picture.fits of the picture before is gone: finish.files.linear=true asks for it" in done.err
    assert not (out / "picture.fits").exists()


def test_a_picture_that_was_half_kept_is_made_anew(command, out):
    before = (out / "picture.tif").read_bytes()
    for record in (out / "work" / "picture").glob("denoise-*.json"):
        record.write_text("{", encoding="utf-8")
    done = command("picture", out)
    assert done.code == 0, done.err
    assert (out / "picture.tif").read_bytes() == before


def test_a_picture_that_is_gone_is_made_anew(command, out):
    before = (out / "picture.tif").read_bytes()
    (out / "picture.tif").unlink()
    assert "make the picture anew: fourlight picture" in command("channels", out).err
    done = command("picture", out)
    assert done.code == 0, done.err
    assert (out / "picture.tif").read_bytes() == before


def test_a_picture_that_is_none_is_told_and_made_anew(command, out):
    (out / "picture.tif").write_bytes(b"II*" + bytes(300))
    done = command("channels", out)
    assert (done.code, done.err.count("\n")) == (2, 1)
    assert "picture.tif: cannot be read" in done.err
    assert command("picture", out).code == 0


def test_a_kept_step_whose_pixels_changed_on_the_disk_is_made_anew(command, out):
    """As by a sector that went bad: the file is as long as it was, and read without an error."""
    before = (out / "picture.tif").read_bytes()
    assert command("picture", out).code == 0
    for kept in (out / "work" / "picture").glob("denoise-*.npy"):
        content = bytearray(kept.read_bytes())
        middle = len(content) // 2
        content[middle : middle + 4000] = bytes(4000)
        kept.write_bytes(content)
    done = command("picture", out)
    assert done.code == 0, done.err
    assert (out / "picture.tif").read_bytes() == before


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--look", "nice"], "must be plain, clear, rich or bold"),
        (["--look", ""], "must be plain, clear, rich or bold"),
        (["--set", "finish.frame.crop=[5000,5000,6000,6000]"], "leaves 0 x 0 px"),
        (["--from", "stretching"], "did you mean stretch?"),
        (["--set", "integrate.pixfrac=1"], "settings of its picture begin with finish."),
        (["--set", "finish.gradient.ordr=1"], "did you mean finish.gradient.order?"),
        (["--set", "finish.denoise.strength=2"], "0 to 1"),
        (
            ["--set", "finish.stretch.background=0.4", "--set", "finish.stretch.bright=0.3"],
            "has to be darker",
        ),
    ],
)
def test_bad_input_is_one_line(command, out, arguments, words):
    before = (out / "picture.tif").read_bytes()
    done = command("picture", out, *arguments)
    assert done.code == 2
    assert words in done.err
    assert done.err.count("\n") == 1
    assert (out / "picture.tif").read_bytes() == before


def test_no_results_and_torn_stars_are_told(command, out, tmp_path):
    done = command("picture", tmp_path)
    assert (done.code, done.err.count("\n")) == (2, 1)
    (out / "stars.csv").write_text("x_px\n1\n", encoding="utf-8")
    done = command("picture", out)
    assert done.code == 2
    assert "stars.csv" in done.err
    (out / "stars.csv").unlink()
    done = command("picture", out)
    assert (done.code, done.err.count("\n")) == (2, 1)
    assert f"fourlight run on the lights, with --out {out}, makes it anew" in done.err


def test_the_star_table_holds_what_the_run_saw(finished):
    stars = read_stars(finished)
    assert len(stars) > 20
    total = stars.flux.sum(axis=1)
    assert (np.diff(total) <= 0).mean() > 0.95
    assert stars.saturated.dtype == bool
    assert np.isfinite(stars.flux_error).all()


@pytest.fixture
def turned(command, out):
    """OUT of a crop with north up.

    North is up as the lights are; here it is said to be a quarter turn off, which the picture takes out.
    """
    assert command("solve", out).code == 0
    said = json.loads((out / "summary.json").read_text())
    said["sky"]["rotation_deg"] = (said["sky"]["rotation_deg"] + 90) % 360
    (out / "summary.json").write_text(json.dumps(said))
    done = command(
        "picture", out, "--set", "finish.frame.orient=north-up", "--set", "finish.frame.crop=[40,20,380,260]",
        "--set", "finish.files.wide=true", "--set", "finish.files.web_px=200", "--set", "finish.files.linear=true",
    )  # fmt: skip
    assert done.code == 0, done.err
    return out


def test_a_crop_turned_with_north_up(command, turned):
    """Stars of the catalogue lie where the header of the stack has them, brought to the turned picture."""
    summary = json.loads((turned / "summary.json").read_text())
    facts = summary["picture"]
    assert (facts["window"], facts["quarters"]) == ([20, 260, 40, 380], 1)
    shown = tifffile.imread(turned / "picture.tif")
    assert shown.shape == (340, 240, 3)
    bright = max(
        (star for star in summary["sky"]["named"] if 60 < star["x_px"] < 360 and 40 < star["y_px"] < 240),
        key=lambda star: -star["v_mag"],
    )
    y, x = round(bright["y_px"]) - 20, round(bright["x_px"]) - 40
    # against the clock: what was at the right is at the top, and rows are columns
    around = np.s_[339 - x - 3 : 339 - x + 4, y - 3 : y + 4]
    assert shown[around].mean() > 3 * np.median(shown)
    told = placed(turned, bright)
    assert told == pytest.approx((y, 339 - x), abs=0.6)
    with fits.open(turned / "picture.fits") as file:
        assert {unit.data.shape for unit in file[1:]} == {shown.shape[:2]}
        light = file["G"].data
    noise = 1.4826 * np.median(np.abs(light - np.median(light)))
    assert light[around].mean() - np.median(light) > 10 * noise, "its light is where its header says"
    assert command("solve", turned).code == 0
    assert placed(turned, bright) == told, "a solution anew keeps the place of the picture in the stack"


def test_further_files_are_there_as_long_as_they_are_asked_for(command, turned):
    with Image.open(turned / "picture-web.jpg") as image:
        assert max(image.size) == 200
    with tifffile.TiffFile(turned / "picture-wide.tif") as wide:
        assert wide.pages[0].tags["InterColorProfile"].value[36:40] == b"acsp"
    assert command("picture", turned).code == 0
    assert not (turned / "picture-wide.tif").exists()
    assert not (turned / "picture-web.jpg").exists()


def placed(out, star):
    """Where picture.fits has a star by astropy's reading of its header; where the stack has it, it should."""
    with fits.open(out / "picture.fits", checksum=True) as file:
        header = file["G_STARLESS" if "G_STARLESS" in file else "G"].header
        x, y = WCS(header).all_world2pix(star["ra_deg"], star["dec_deg"], 0)
    turn, shift = framing_of(header).placing
    np.testing.assert_allclose(turn.T @ (np.array([x, y]) - shift), [star["x_px"], star["y_px"]], atol=0.05)
    return float(x), float(y)


def test_a_crop_beside_the_picture_is_refused(command, out):
    done = command("picture", out, "--set", "finish.frame.crop=[5000,5000,6000,6000]")
    assert done.code == 2
    assert "leaves" in done.err
    assert done.err.count("\n") == 1
