"""Other treatments of the lights of a run, on parts of its stack: what they change is what was simulated."""

import json

import numpy as np
import pytest
from astropy.io import fits

from fourlight.pipeline.finished import finished_run
from fourlight.pipeline.light_series import light_series, treated
from fourlight.pipeline.run import run
from fourlight.recipe import Recipe, with_settings
from fourlight.simulate.render import simulate
from fourlight.simulate.scene import loads

SCENE = """
seed = 71
exposure_s = 120.0
[object]
kind = "none"
[optics]
vignetting = 0.35
[camera]
width_px = 420
height_px = 320
dark_e_per_s = {dark}
glow_e_per_s = {glow}
hot_share = 0.0
[stars]
count = 120
cluster_count = 0
[calibration]
darks = 20
flats = 8
bias = 8
[[nights]]
count = 12
dither_px = 0.0
sky_mag = 21.6
"""
WITHOUT = ["evidence.channels=false", "evidence.claims=false"]


def finished(folder, dark=0.004, glow=0.0):
    simulate(loads(SCENE.format(dark=dark, glow=glow)), folder / "raw")
    run([folder / "raw"], folder / "out", with_settings(Recipe(), WITHOUT))
    return folder


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    return finished(tmp_path_factory.mktemp("plain"))


@pytest.fixture(scope="module")
def made(plain):
    with finished_run(plain / "out") as opened:
        return treated(opened)


def test_half_of_the_lights_have_root_two_of_the_noise(made):
    """Independent noise of half as many lights: sqrt(2), in each plane."""
    found, _ = made
    ratio = np.nanmedian(found["half of the lights"]["noise"] / found["as run"]["noise"], axis=0)
    assert ratio == pytest.approx(np.full(5, np.sqrt(2)), rel=0.06)


def test_without_flats_the_shadow_of_the_optics_is_seen(made, plain):
    found, _ = made
    change = found["no flats"]["signal"][:, 4] / found["as run"]["signal"][:, 4]
    with fits.open(plain / "raw" / "truth" / "truth.fits") as hdus:
        share = hdus["SENSITIVITY"].data
    # parts lie on the inner 84 % of the frame
    ny, nx = share.shape
    inner = share[int(0.08 * ny) : int(0.92 * ny), int(0.08 * nx) : int(0.92 * nx)]
    blocks = inner[: inner.shape[0] // 4 * 4, : inner.shape[1] // 5 * 5].reshape(
        4, inner.shape[0] // 4, 5, -1
    )
    true = blocks.mean(axis=(1, 3))
    assert np.ptp(change) == pytest.approx(np.ptp(true / true.max()), rel=0.3)
    assert found["no flats"]["noise"][:, 4] == pytest.approx(
        found["as run"]["noise"][:, 4] * change, rel=0.15
    )


def test_without_darks_a_cold_sensor_is_hardly_noisier(made):
    found, _ = made
    ratio = np.nanmedian(found["no darks"]["noise"] / found["as run"]["noise"], axis=0)
    assert (ratio < 1.1).all(), "the noise of the darks themselves counts as a change in red and blue"


def test_without_darks_a_warm_undithered_sensor_is_noisier(tmp_path):
    """Dark current of 36 electrons that differs by 15 % from sample to sample: 5.4 electrons that no light averages."""
    warm = finished(tmp_path, dark=0.3)
    with finished_run(warm / "out") as opened:
        found, _ = treated(opened)
    for plane in (0, 3, 4):
        before, after = (np.nanmedian(found[name]["noise"][:, plane]) for name in ("as run", "no darks"))
        samples = 2 if plane == 4 else 1
        assert np.sqrt(after**2 - before**2) == pytest.approx(5.4 / np.sqrt(samples), rel=0.5)


def test_treatments_that_cannot_be_made_say_why(small_night, tmp_path):
    run([small_night], tmp_path / "out", with_settings(Recipe(), WITHOUT))
    with finished_run(tmp_path / "out") as opened:
        found, absent = treated(opened)
    assert set(found) == {"as run", "twice finer grid"}
    assert "no darks" in absent["no darks"]
    assert "no flats" in absent["no flats"]
    assert absent["half of the lights"] == "10 lights are needed, not 4"


def test_series_hold_what_the_lights_are(plain, made):
    from fourlight.pipeline import evidence, sharpness

    with finished_run(plain / "out") as opened:
        _, ledger = evidence.looked_at(opened, {})
        widths = sharpness.widths_in(opened, sharpness.widths_of(opened))
        series = light_series(opened, ledger, widths, *made)
    truth = json.loads((plain / "raw" / "truth" / "truth.json").read_text())["frames"]
    assert len(series) == len(truth) == 12
    assert series.values["transparency"][:, 4] == pytest.approx(
        np.array([f["transparency"] for f in truth])
        / truth[0]["transparency"]
        * series.values["transparency"][0, 4],
        rel=0.05,
    )
    assert series.values["sky"][:, 0] * 120 == pytest.approx([f["sky_e"][0] for f in truth], rel=0.03)
    assert series.exposure_s.tolist() == [120.0] * 12
    assert set(series.halves) == {"A", "B"}
    assert np.isfinite(series.moon_lit).all()
