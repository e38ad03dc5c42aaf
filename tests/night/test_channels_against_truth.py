"""Shares of the channels against what was simulated, and the command on a finished run."""

import json

import numpy as np
import pytest
from astropy.io import fits

from fourlight.pipeline.evidence import channels_on
from plain_runs import DULL

from .conftest import made

DISC = """
seed = 57
exposure_s = 180.0
[object]
kind = "disc"
[camera]
width_px = 520
height_px = 420
[stars]
count = 150
cluster_count = 0
[calibration]
darks = 6
flats = 6
bias = 6
[[nights]]
count = 7
[[nights]]
count = 7
start_utc = "2031-08-15T23:30:00"
offset_x_px = 5.0
[[nights]]
count = 6
start_utc = "2031-08-17T23:30:00"
moon_phase_deg = 60.0
rotation_deg = 1.0
"""
BOX = (190, 150, 330, 270)


@pytest.fixture(scope="module")
def disc(evidence, tmp_path_factory):
    return made(tmp_path_factory.mktemp("disc"), DISC, DULL)


def true_information(night):
    """Share of R, G, B: n s^2 / v over the sum, with the light, sky, dark current and read noise of every frame."""
    data = json.loads((night.raw / "truth" / "truth.json").read_text())
    camera, exposure = data["scene"]["camera"], data["scene"]["exposure_s"]
    still = (
        camera["dark_e_per_s"] * exposure + camera["read_noise_e"] ** 2 + camera["gain_e_per_adu"] ** 2 / 12
    )
    x0, y0, x1, y1 = BOX
    parts = []
    for colour, plane in enumerate(("R", "G1", "B")):
        light = sum(
            night.true_layer(name, order=1)[y0:y1, x0:x1].mean() for name in (plane, f"{plane}_STARS")
        )
        total = 0.0
        for frame in night.summary["frames"]:
            true = night.simulated(frame)
            signal = light * true["transparency"] / night.reference["transparency"]
            total += signal**2 / (signal + true["sky_e"][colour] + still)
        parts.append(total * (2 if plane == "G1" else 1))
    return dict(zip("RGB", np.array(parts) / sum(parts), strict=True))


def test_the_run_and_the_command_tell_the_same(disc):
    before = json.loads((disc.out / "channels.json").read_text())
    again = channels_on(disc.out, {})
    assert set(before["regions"]) == {"object", "sky", "stars"}
    for kind, regions in before["shares"].items():
        for region, channels in regions.items():
            for channel, share in channels.items():
                assert again["shares"][kind][region][channel] == pytest.approx(share, rel=1e-5, abs=1e-9)


def test_information_shares_are_the_true_ones(disc):
    found = channels_on(disc.out, {"core": BOX})
    for channel, share in true_information(disc).items():
        got = found["shares"]["information"]["core"][channel]
        assert got["value"] == pytest.approx(share, abs=0.005), "half a percentage point"
        assert got["low"] < got["value"] < got["high"]
    assert found["scope"] == "nights like these"


def test_electrons_of_the_sky_are_those_of_all_lights(disc):
    """A moonlit night is among them, whose sky is bluer than that of the reference."""
    sky = np.array([disc.simulated(frame)["sky_e"] for frame in disc.summary["frames"]]) * [1, 2, 1]
    true, reference = (
        part / part.sum() for part in (sky.sum(axis=0), disc.reference["sky_e"] * np.array([1, 2, 1]))
    )
    assert abs(true - reference).max() > 0.01
    found = json.loads((disc.out / "channels.json").read_text())["shares"]["electrons"]["sky"]
    assert [found[channel]["value"] for channel in "RGB"] == pytest.approx(true, abs=0.002)


def test_all_electrons_are_those_of_the_samples(disc):
    """Of the opening paragraph, against all raw lights less the mean of the darks."""
    still = np.mean([fits.getdata(path).astype(float) for path in (disc.raw / "darks").iterdir()], axis=0)
    raw = np.zeros(4)
    for frame in disc.summary["frames"]:
        samples = fits.getdata(frame["path"]) - still
        raw += [samples[j::2, i::2].mean() for j in (0, 1) for i in (0, 1)]
    assert disc.summary["mosaic"]["pattern"] == "RGGB"
    found = [disc.summary["planes"][plane]["share_of_electrons"] for plane in ("R", "G1", "G2", "B")]
    assert found == pytest.approx(raw / raw.sum(), abs=0.002)


def test_noise_is_what_the_model_says(disc):
    """Residuals from the other half are those of photons and read noise; known to half a per cent here."""
    found = json.loads((disc.out / "channels.json").read_text())
    assert list(found["regions"]["object"]["noise_over_model"].values()) == pytest.approx([1] * 4, abs=0.03)


def test_the_report_tells_it(disc):
    text = (disc.out / "report.html").read_text()
    assert "What every channel contributed" in text
    assert "nights like these" in text
