"""Widths of colours in a simulated night, from raw files on, against what was simulated."""

from pathlib import Path

import numpy as np
import pytest

from fourlight.pipeline import run as pipeline
from fourlight.recipe import Recipe
from fourlight.simulate.light import throughput
from fourlight.simulate.plan import plan_lights
from fourlight.simulate.render import simulate
from fourlight.simulate.scene import loads
from fourlight.stages.width_cause import Sky, width_cause
from fourlight.stages.width_ratio import width_ratio
from fourlight.stages.widths import LightSamples, measure_widths

SCENE = """
seed = 5
exposure_s = 120.0
[object]
kind = "nebula"
[stars]
count = 400
brightest_mag = 9.5
faintest_mag = 16.0
cluster_count = 0
[optics]
focal_mm = 450.0
{optics}
[camera]
width_px = 560
height_px = 420
[calibration]
darks = 5
flats = 6
bias = 5
[[nights]]
count = 8
seeing_arcsec = 3.0
seeing_scatter = 0.1
gradient = 0.02
"""


class Registered(Exception):  # noqa: N818
    """The run has come as far as it should."""


def night(folder: Path, monkeypatch, optics):
    """Registered lights in order of time, what reads them, and their true widths (f, 3) in R, G, B."""
    scene, got = loads(SCENE.format(optics=optics)), []

    def integrated(_job, frames, _reference, calibration, _kept):
        got.extend([sorted(frames, key=lambda frame: frame.measured.raw.time), calibration])
        raise Registered

    simulate(scene, folder / "raw")
    monkeypatch.setattr(pipeline, "integrated", integrated)
    with pytest.raises(Registered):
        pipeline.run([folder / "raw"], folder / "out", Recipe())
    frames, calibration = got
    plans = {Path(plan.name).name: plan for plan in plan_lights(scene, throughput(scene))}

    def read(k):
        raw = frames[k].measured.raw
        return LightSamples(
            calibration.open(raw).read(0, raw.ny, 0, raw.nx), calibration.pattern_of(raw), frames[k].measured.noise,
            calibration.noise_of(raw).unit == "electron", calibration.saturation_level(raw),
        )  # fmt: skip

    return frames, read, np.array([plans[frame.measured.raw.path.name].fwhm_px for frame in frames])


@pytest.mark.slow
@pytest.mark.parametrize("optics", ["equal_psf = true", "colour_blur_arcsec = 1.5"])
def test_ratios_are_those_simulated(tmp_path, monkeypatch, optics):
    """Acceptance: 0.3 per cent; and the true ratio lies inside the interval."""
    frames, read, true = night(tmp_path, monkeypatch, optics)
    widths = measure_widths(frames, read)
    for colour, k in (("R", 0), ("B", 2)):
        ratio = float(np.exp(np.mean(np.log(true[:, k] / true[:, 1]))))
        found = width_ratio(widths, colour).trial
        assert found.value == pytest.approx(ratio, abs=0.003)
        assert found.low - 0.001 <= ratio <= found.high + 0.001
    if optics.startswith("equal"):
        assert (true == true[:, [1]]).all()
    else:
        assert found.value > 1.03
        hours = np.array([frame.measured.raw.time.timestamp() / 3600 for frame in frames])
        assert "colour of the lens" in width_cause(widths, Sky(hours)).statement
