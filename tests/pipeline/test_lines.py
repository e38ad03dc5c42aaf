"""Lines of finished stacks: files, what they mean, and the report."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from PIL import Image

from fourlight.cli.app import build
from fourlight.core.cfa import COLOURS
from fourlight.core.unmix import gain_of, pairs
from fourlight.engine import Silent
from fourlight.errors import InputError
from fourlight.pipeline import line_files
from fourlight.pipeline.line_request import Asked
from fourlight.pipeline.lines import lines_on
from fourlight.pipeline.run import run
from fourlight.pipeline.star_table import read_stars
from fourlight.recipe import Recipe, with_settings
from fourlight.sensor.filters import Beam, named_filter
from fourlight.sensor.sensors import sensor
from fourlight.simulate.render import simulate
from fourlight.simulate.scene import loads
from true_nebula import aperture, brightest, nebula

SCENE = """
seed = {seed}
exposure_s = {exposure}
[filter]
name = "{filter}"
[object]
size = 0.7
halpha_rayleigh = 8000.0
[camera]
width_px = 300
height_px = 240
[stars]
count = 140
brightest_mag = 10.5
cluster_count = 0
[calibration]
darks = {calibration}
flats = {calibration}
bias = {calibration}
[[nights]]
count = {count}
sky_mag = 21.0
{turn}
"""
BSI = sensor("bsi-8mp")


def scene(name, exposure, turn="", seed=33, count=8, calibration=4):
    return loads(
        SCENE.format(
            filter=name, exposure=exposure, turn=turn, seed=seed, count=count, calibration=calibration
        )
    )


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """``raw`` and ``out`` with a dual filter, lines told by its recipe; ``broad`` without, turned by 180 degrees."""
    root = tmp_path_factory.mktemp("lines")
    simulate(scene("dual-7nm", 240.0), root / "raw")
    simulate(scene("uv-ir-cut", 40.0, "flip_after = 0"), root / "broad-raw")
    told = ["gear.camera=bsi-8mp", "gear.filter=dual-7nm"]
    run([root / "raw"], root / "out", with_settings(Recipe(), told))
    run([root / "broad-raw"], root / "broad", Recipe())
    return root


@pytest.fixture
def out(made: Path, tmp_path: Path) -> Path:
    shutil.copytree(made / "out", tmp_path / "out")
    return tmp_path / "out"


def asked(**more) -> Asked:
    return Asked(BSI, named_filter("dual-7nm"), **more)


def test_a_run_whose_recipe_names_camera_and_filter_tells_lines(made):
    out = made / "out"
    with fits.open(out / "lines.fits", checksum=True) as units:
        assert [unit.name for unit in units[1:]] == [
            "HALPHA", "VAR_HALPHA", "OIII", "VAR_OIII", "COV_HALPHA_OIII",
        ]  # fmt: skip
        assert units["OIII"].header["BUNIT"] == "electron"
        assert units["VAR_OIII"].header["BUNIT"] == "electron2"
        assert units["HALPHA"].header["WAVELEN"] == pytest.approx(656.28)
        assert 0 < units["OIII"].header["LKHALPHA"] < 0.05
        assert 0.5 < units["OIII"].header["NOISCORR"] < 1.2
        assert units[0].header["CAMERA"] == "bsi-8mp"
    facts = json.loads((out / "lines.json").read_text())
    assert set(facts["kinds"]) == {"halpha", "oiii"}
    page = (out / "report.html").read_text(encoding="utf-8")
    assert "Emission lines" in page
    assert "Other ways to make lines" in page
    assert page.count("data:image/jpeg") > 10
    for name in ("hoo", "as-seen"):
        assert {path.suffix for path in (out / "lines").glob(f"{name}.*")} == {".tif", ".png", ".jpg"}


def test_maps_are_the_planes_unmixed(made):
    """At single pixels, against numpy: planes less a smooth surface, which neighbours share, through the matrix."""
    facts = json.loads((made / "out" / "lines.json").read_text())
    matrix = np.array(facts["matrix"])
    units = np.array([0.25, 0.5, 0.25]) @ matrix
    with fits.open(made / "out" / "stack.fits") as stack, fits.open(made / "out" / "lines.fits") as maps:
        planes = np.array([stack[c].data for c in COLOURS], dtype=float)
        powers = np.array([stack[f"VAR_{c}"].data for c in COLOURS], dtype=float)
        for y, x in ((60, 80), (120, 150), (200, 220)):
            gain = gain_of(matrix / units, np.median(powers[:, y - 3 : y + 4, x - 3 : x + 4], axis=(1, 2)))
            step = gain @ (planes[:, y, x] - planes[:, y, x + 1])
            found = [maps[name].data[y, x] - float(maps[name].data[y, x + 1]) for name in ("HALPHA", "OIII")]
            scale = np.abs(gain) @ np.abs(planes[:, y, x] - planes[:, y, x + 1])
            np.testing.assert_allclose(found, step, atol=0.03 * scale.max() + 0.05)
            told = [maps[name].data[y, x] for name in ("VAR_HALPHA", "VAR_OIII", "COV_HALPHA_OIII")]
            covariance = gain @ np.diag(powers[:, y, x]) @ gain.T
            np.testing.assert_allclose(told, [covariance[p] for p in pairs(2)], rtol=0.1)


def test_the_command_tells_what_the_run_told(made, out):
    before = (out / "stack.fits").read_bytes()
    facts = lines_on(out, asked())
    assert (out / "stack.fits").read_bytes() == before
    with fits.open(made / "out" / "lines.fits") as first, fits.open(out / "lines.fits") as again:
        for name in ("HALPHA", "OIII"):  # by the same stars, between which the sky is looked at
            np.testing.assert_array_equal(first[name].data, again[name].data)
    assert facts == json.loads((out / "lines.json").read_text())


def test_another_filter_than_that_of_the_lights_is_told(out):
    class Told(Silent):
        def __init__(self):
            self.ends = []

        def end(self, summary):
            self.ends.append(summary)

    progress = Told()
    (said,) = lines_on(out, Asked(BSI, named_filter("dual-wide")), progress)["doubts"]
    assert "name the filter dual-7nm, and dual-wide was named, which counts" in said
    assert said.endswith("give --filter dual-7nm.")
    assert progress.ends[0] == said, "before the work"
    assert '<div class="warn" role="note"><p>The headers of' in (out / "report.html").read_text("utf-8")
    assert lines_on(out, asked())["doubts"] == []


def test_a_filter_that_is_none_for_lines_is_told(out):
    summary = json.loads((out / "summary.json").read_text())
    summary["frames"] = [{**frame, "file": "gone.fits"} for frame in summary["frames"]]  # no header speaks
    summary["noise"]["gain_error"] = 0.1 * summary["noise"]["gain_e_per_adu"]
    (out / "summary.json").write_text(json.dumps(summary))
    facts = lines_on(out, Asked(BSI, named_filter("uv-ir-cut")))
    for name, kind in facts["kinds"].items():
        assert kind["scale_error"] == pytest.approx(np.hypot(facts["leak"][name][name], 0.1)), (
            "the gain is off too"
        )
    (said,) = facts["doubts"]
    assert said.startswith("Filter uv-ir-cut passes 28")
    assert "is none for lines" in said


def test_other_commands_keep_lines_and_a_new_run_does_not(made, out):
    assert build(["channels", str(out)]) == 0
    assert "Emission lines" in (out / "report.html").read_text(encoding="utf-8")
    assert (out / "lines" / "hoo.jpg").exists()
    run([made / "raw"], out, with_settings(Recipe(), ["evidence.channels=false", "evidence.claims=false"]))
    assert not any((out / name).exists() for name in ("lines.fits", "lines.json", "lines"))
    assert "Emission lines" not in (out / "report.html").read_text(encoding="utf-8")


def test_a_broadband_stack_takes_stars_out_of_the_lines(made, out):
    """What is left is held against the true nebula: knots of it under a faint star are as bright as the star."""
    alone = lines_on(out, asked())
    with fits.open(out / "lines.fits") as units:
        before = units["HALPHA"].data.astype(float)
    facts = lines_on(out, asked(broadband=made / "broad"))
    told = {"name": str(made / "broad"), "filter": "uv-ir-cut", "filter_from": "the headers"}
    assert facts["broadband"] == told
    assert any("is that of its headers" in note for note in facts["notes"])
    assert set(facts["kinds"]) == {"halpha", "oiii", "continuum"}
    # 40 s against 240 s through the same optics; the few stars stand on a bright nebula
    assert facts["scale"]["value"] == pytest.approx(40 / 240, rel=max(0.05, 3 * facts["scale"]["error"]))
    assert facts["kinds"]["oiii"]["noise"] > alone["kinds"]["oiii"]["noise"]
    with fits.open(out / "lines.fits") as units:
        after = units["HALPHA"].data.astype(float)
        light = np.nan_to_num(units["CONT"].data.astype(float))
    places = [
        (y, x) for y, x in brightest(light, 12) if np.isfinite(after[y - 8 : y + 9, x - 8 : x + 9]).all()
    ]
    assert len(places) >= 8
    knots = nebula(made, after.shape)
    empty = [(y, x) for y in range(20, 220, 12) for x in range(20, 280, 12) if (y + x) % 5]
    empty = [(y, x) for y, x in empty if min(np.hypot(y - v, x - u) for v, u in brightest(light, 40)) > 14]
    seen, true = (np.array([aperture(image, y, x) for y, x in empty]) for image in (after, knots))
    known = np.isfinite(seen)
    assert np.corrcoef(seen[known], true[known])[0, 1] > 0.95
    knots *= (seen[known] @ true[known]) / (true[known] @ true[known])
    left = [aperture(after - knots, y, x) / aperture(before - knots, y, x) for y, x in places]
    assert np.median(np.abs(left)) < 0.1


def test_a_stack_of_another_field_is_refused(made, out, tmp_path):
    simulate(scene("uv-ir-cut", 40.0, seed=34, count=2, calibration=0), tmp_path / "x")
    run(
        [tmp_path / "x"],
        tmp_path / "other",
        with_settings(Recipe(), ["evidence.channels=false", "evidence.claims=false"]),
    )
    before = (out / "lines.fits").read_bytes()
    with pytest.raises(InputError, match="name a finished stack of the same field"):
        lines_on(out, asked(broadband=tmp_path / "other", broadband_filter=named_filter("uv-ir-cut")))
    assert (out / "lines.fits").read_bytes() == before


def rayleigh_electrons():
    """Electrons of a red sample for a rayleigh of Hα, with its [NII], by hand from the scene and its camera.

    10^6 / 4 pi photons per second, cm^2 and steradian (Baker 1974); 106 mm and 530 mm, 3.76 um, 240 s; 0.8 x 0.95 pass
    air and optics; of [NII] 658.3, 0.3 of Hα in photons and 1/3 as much at 654.8 (Storey & Zeippen 2000).
    """
    area_cm2, steradian = np.pi / 4 * 10.6**2, (3.76e-3 / 530) ** 2
    photons = 1e6 / (4 * np.pi) * area_cm2 * steradian * 240 * 0.8 * 0.95
    wave = np.array([656.28, 658.35, 654.80])
    passed = 0.8 * BSI.at(wave)[0] * named_filter("dual-7nm").at(wave, Beam(530 / 106))
    return photons * passed @ [1, 0.3, 0.1]


def test_light_is_told_in_rayleighs_where_all_is_known(made, out):
    """Held against the true light, of which electrons were simulated."""
    curves = replace(BSI, curves=0.8 * BSI.curves, modes=0.8 * BSI.modes, scale="absolute")
    facts = lines_on(out, Asked(curves, named_filter("dual-7nm"), transmission=0.76))
    with fits.open(out / "lines.fits") as units:
        assert units["HALPHA"].header["BUNIT"] == "rayleigh"
        halpha = units["HALPHA"].data.astype(float)
    assert facts["kinds"]["halpha"]["unit"] == "rayleigh"
    found = read_stars(out)
    places = [
        (y, x)
        for y in range(20, 220, 6)
        for x in range(20, 280, 6)
        if np.hypot(found.x - x, found.y - y).min() > 11
    ]
    seen, true = (
        np.array([aperture(image, *at) for at in places]) for image in (halpha, nebula(made, halpha.shape))
    )
    known = np.isfinite(seen)
    assert np.corrcoef(seen[known], true[known])[0, 1] > 0.95
    slope = (seen[known] @ true[known]) / (true[known] @ true[known])
    assert slope == pytest.approx(1 / rayleigh_electrons(), rel=0.1)
    with pytest.raises(InputError, match="quantum efficiencies of the camera"):
        lines_on(out, asked(transmission=0.7))


@pytest.mark.parametrize("name", ["hoo", "as-seen"])
def test_pictures_are_neither_dark_nor_pale_nor_green(made, name):
    """Empty sky is dark and neutral, the nebula stands out, and no channel rules the sky."""
    with Image.open(made / "out" / "lines" / f"{name}.png") as picture:
        rgb = np.asarray(picture.convert("RGB"), dtype=float)
    with Image.open(made / "out" / "picture.png") as other:
        assert picture.size == other.size
    bright = rgb.max(axis=2)
    dark = bright <= np.quantile(bright, 0.05)
    assert 10 < rgb[dark].mean() < 60
    assert np.ptp(rgb[dark].mean(axis=0)) < 12
    assert np.quantile(bright, 0.95) > 120
    assert len(np.unique(rgb[..., 0])) > 100, "no bands"


def test_lines_that_cannot_be_written_cost_nothing_but_themselves(small_night, tmp_path, monkeypatch):
    """Maps are there when a picture fails: neither is left, and stack, picture and report are."""

    def fails(*_):
        raise ValueError("no paint")

    monkeypatch.setattr(line_files, "save_picture", fails)
    told = [
        "gear.camera=bsi-8mp",
        "gear.filter=dual-7nm",
        "evidence.channels=false",
        "evidence.claims=false",
    ]
    run([small_night], tmp_path / "out", with_settings(Recipe(), told))
    assert not any((tmp_path / "out" / name).exists() for name in ("lines.fits", "lines.json", "lines"))
    said = json.loads((tmp_path / "out" / "summary.json").read_text())["to_know"]
    assert any(one.startswith("the files of lines could not be made") and "no paint" in one for one in said)
    assert (tmp_path / "out" / "stack.fits").exists()
