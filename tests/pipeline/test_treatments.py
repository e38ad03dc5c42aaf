"""Other treatments of the lights of a run, on parts of its stack: what they change is what was simulated."""

import json
from types import SimpleNamespace

import numpy as np
import pytest
from astropy.io import fits

from claim_series import series
from fields import frame_table, turned
from fourlight.pipeline import light_series as module
from fourlight.pipeline.evidence import looked_at
from fourlight.pipeline.finished import finished_run
from fourlight.pipeline.light_series import light_series, treated
from fourlight.pipeline.run import run
from fourlight.recipe import Recipe, with_settings
from fourlight.simulate.render import simulate
from fourlight.simulate.scene import loads
from fourlight.stages.claim_file import shipped
from fourlight.stages.claims import findings
from fourlight.stages.way import Way

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
darks = {darks}
flats = 8
bias = 8
[[nights]]
count = 12
dither_px = 0.0
sky_mag = 21.6
"""
WITHOUT = ["evidence.channels=false", "evidence.claims=false"]


READ_NOISE, STEP = 1.6, 0.8
"""Electrons: of the simulated camera, and of its digitiser."""


def shot(folder, dark=0.004, glow=0.0, darks=20):
    simulate(loads(SCENE.format(dark=dark, glow=glow, darks=darks)), folder / "raw")
    return folder


def finished(folder, *settings):
    run([folder / "raw"], folder / "out", with_settings(Recipe(), [*WITHOUT, *settings]))
    return folder


def treatments(opened):
    return treated(opened, looked_at(opened, {})[0])


def without_darks(found):
    """Noise without darks over that as run, R, G1, G2, B, G, and what the claim that darks were needed comes to."""
    ratio = np.log(found["no darks"]["noise"] / found["as run"]["noise"])
    asked = [claim for claim in shipped() if claim.name == "darks were needed"]
    told = findings(series(0, patches=found), asked)
    assert [each.part for each in told] == ["R", "G", "B"]
    assert all(each.low < each.effect < each.high for each in told)
    return np.exp(ratio.mean(axis=0)), {each.verdict for each in told}


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    return finished(shot(tmp_path_factory.mktemp("plain")))


@pytest.fixture(scope="module")
def warm(tmp_path_factory):
    """Its ``out`` holds the stack of the method before, whose masters and measured lights serve the next."""
    return shot(tmp_path_factory.mktemp("warm"), 0.3)


@pytest.fixture(scope="module")
def made(plain):
    with finished_run(plain / "out") as opened:
        return treatments(opened)


def test_half_of_the_lights_have_root_two_of_the_noise(made):
    """Independent noise of half as many lights: sqrt(2), in each plane."""
    found, _ = made
    ratio = np.nanmedian(found["half of the lights"]["noise"] / found["as run"]["noise"], axis=0)
    assert ratio == pytest.approx(np.full(5, np.sqrt(2)), rel=0.06)


def test_without_flats_the_shadow_of_the_optics_is_seen(made, plain):
    found, _ = made
    change = found["no flats"]["level"][:, 4] / found["as run"]["level"][:, 4]
    with fits.open(plain / "raw" / "truth" / "truth.fits") as hdus:
        share = hdus["SENSITIVITY"].data
    # parts lie on the inner 84 % of the frame
    ny, nx = share.shape
    inner = share[int(0.08 * ny) : int(0.92 * ny), int(0.08 * nx) : int(0.92 * nx)]
    blocks = inner[: inner.shape[0] // 4 * 4, : inner.shape[1] // 5 * 5].reshape(
        4, inner.shape[0] // 4, 5, -1
    )
    true = blocks.mean(axis=(1, 3))
    assert change.reshape(4, 5) / change.mean() == pytest.approx(true / true.mean(), abs=0.03)
    assert found["no flats"]["noise"][:, 4] == pytest.approx(
        found["as run"]["noise"][:, 4] * change, rel=0.15
    )
    # halves alone tell red and blue, whose noise becomes less under a shadow like that of the greens
    for plane in (0, 3):
        ratio = found["no flats"]["noise"][:, plane] / found["as run"]["noise"][:, plane]
        assert ratio == pytest.approx(change, rel=0.1)


def test_without_darks_a_cold_sensor_is_as_noisy_as_with_many(made):
    """Twenty darks add a twentieth of a light's read noise, of which twelve lights keep all: about 1 % of the noise."""
    found, _ = made
    ratio = np.nanmedian(found["no darks"]["noise"] / found["as run"]["noise"], axis=0)
    assert ratio == pytest.approx(np.full(5, 0.99), abs=0.015)
    assert without_darks(found)[1] == {"contradicted"}


def test_a_single_dark_off_a_sensor_without_pattern_does_harm_in_every_colour(tmp_path):
    """Its read noise and rounding are the same in all twelve lights: by hand, from the sky that was simulated."""
    harmed = finished(shot(tmp_path, 0.0, 0.0, 1), "integrate.method=drizzle")
    sky = np.array(json.loads((harmed / "raw" / "truth" / "truth.json").read_text())["frames"][0]["sky_e"])
    one = READ_NOISE**2 + STEP**2 / 12
    lights = (sky + one) / 12
    truth = np.sqrt(lights / (lights + one))
    with finished_run(harmed / "out") as opened:
        ratio, verdicts = without_darks(treatments(opened)[0])
    assert verdicts == {"contradicted"}
    assert ratio[[0, 1, 3]] == pytest.approx(truth[[0, 1, -1]], rel=0.1)
    assert (ratio < 0.85).all()


@pytest.mark.parametrize("method", ["drizzle", "least-squares"])
def test_without_darks_a_warm_undithered_sensor_is_noisier_in_every_colour(warm, method):
    """Dark current of 36 electrons that differs by 15 % from sample to sample: 5.4 electrons that no light averages.

    One sample in four pixels (two of green) is as good as four pixels (two) of twice (root two times) its noise; the
    pixels that a sample fills take up to a fifth of that. What both greens show and what red and blue say by way of the
    halves are the same.
    """
    with finished_run(finished(warm, f"integrate.method={method}") / "out") as opened:
        found, _ = treatments(opened)
    ratio, verdicts = without_darks(found)
    assert verdicts == {"supported"}
    before, after = (np.nanmedian(found[name]["noise"], axis=0) for name in ("as run", "no darks"))
    assert (ratio > 1.5).all()
    for plane, samples in ((0, 1), (3, 1), (4, 2)):
        assert np.sqrt(after[plane] ** 2 - before[plane] ** 2) == pytest.approx(
            0.9 * 5.4 * np.sqrt(4 / samples), rel=0.2
        )
    assert ratio[0] == pytest.approx(ratio[4], rel=0.15)


def test_signal_is_the_object_without_the_sky_whatever_the_grid(plain, made):
    """No object here: stars alone, a few per cent of the sky. On a finer grid as much for a reference pixel."""
    found, _ = made
    truth = json.loads((plain / "raw" / "truth" / "truth.json").read_text())["frames"]
    sky = np.median([frame["sky_e"][0] for frame in truth])
    run = found["as run"]
    assert np.median(run["level"][:, 0]) == pytest.approx(sky, rel=0.1)
    assert abs(np.median(run["signal"][:, 0])) < 0.06 * sky
    finer = found["twice finer grid"]
    assert finer["level"] == pytest.approx(run["level"], rel=0.02)
    assert finer["signal"] == pytest.approx(run["signal"], abs=0.02 * sky)


def test_treatments_that_cannot_be_made_say_why(small_night, tmp_path):
    run([small_night], tmp_path / "out", with_settings(Recipe(), WITHOUT))
    with finished_run(tmp_path / "out") as opened:
        found, absent = treatments(opened)
    assert set(found) == {"as run", "twice finer grid"}
    assert "none were taken off" in absent["no darks"]
    assert "not divided by any" in absent["no flats"]
    assert absent["half of the lights"] == "10 lights are needed, not 4"


def test_series_hold_what_the_lights_are(plain, made):
    from fourlight.pipeline import evidence, sharpness

    with finished_run(plain / "out") as opened:
        _, ledger = evidence.looked_at(opened, {})
        widths = sharpness.widths_of(opened)
        lights = light_series(opened, ledger, widths, *made)
    truth = json.loads((plain / "raw" / "truth" / "truth.json").read_text())["frames"]
    assert len(lights) == len(truth) == 12
    assert lights.values["transparency"][:, 4] == pytest.approx(
        np.array([f["transparency"] for f in truth])
        / truth[0]["transparency"]
        * lights.values["transparency"][0, 4],
        rel=0.05,
    )
    assert lights.values["sky"][:, 0] * 120 == pytest.approx([f["sky_e"][0] for f in truth], rel=0.03)
    assert lights.exposure_s.tolist() == [120.0] * 12
    assert set(lights.halves) == {"A", "B"}
    assert np.isfinite(lights.moon_lit).all()


def test_room_is_reckoned_for_the_treatment_that_takes_most(monkeypatch):
    """Of 142 lights 48 are read at a time, of the 128 that are left without the worst tenth all at once."""
    table = frame_table(np.array([turned(0, 1, (0, 0), (0, 0))] * 142), (400, 400), noise=np.full(4, 5.0))
    asked = []
    job = SimpleNamespace(
        recipe=Recipe(),
        progress=SimpleNamespace(begin=lambda *_: None, step=None, end=lambda *_: None),
        at_once=lambda each: asked.append(each) or 1,
    )
    said = {"offset_taken_off": {}, "lights_with_flat": 0}
    way = Way("least-squares", "", 1.0, "")
    opened = SimpleNamespace(
        table=table, job=job, way=way, frames=[], calibration=SimpleNamespace(description=said),
        samples=SimpleNamespace(read=None, sources=[]),
    )  # fmt: skip
    monkeypatch.setattr(module.treatments, "made", lambda *given: {"kinds": given[0], "places": given[4]})
    seen, _ = treated(opened, None)
    most = way.pixel_bytes(seen["kinds"]["without the worst tenth"].table)
    assert most > 1.3 * way.pixel_bytes(table)
    assert asked == [pytest.approx(most * module.padded_pixels([place.tile for place in seen["places"]]))]
