"""Resolution of a run's channels against the noise-free light that was simulated."""

import json

import numpy as np
import pytest

from fourlight.core.crossing import crossing
from fourlight.core.resolution import ONE_SEVENTH, Rings
from fourlight.pipeline.fineness import resolution_of
from fourlight.pipeline.finished import finished_run
from fourlight.stages.fineness import curves
from fourlight.stages.sampling import Lights
from fourlight.stages.stack_layers import OUTPUT_PLANES
from fourlight.stages.star_covers import star_covers

from .conftest import made

SCENE = """
seed = 61
exposure_s = 180.0
[object]
size = 0.8
halpha_rayleigh = 6000
[camera]
width_px = 448
height_px = 448
[stars]
count = 120
brightest_mag = 10.0
cluster_count = 0
[calibration]
darks = 6
flats = 6
bias = 6
[[nights]]
count = 16
seeing_arcsec = 3.5
dither_px = 6.0
"""


STILL = """
seed = 61
exposure_s = 180.0
[camera]
width_px = 200
height_px = 200
[stars]
count = 60
brightest_mag = 10.0
cluster_count = 0
[[nights]]
count = 8
dither_px = 0.0
"""
"""Lights that lie upon each other, small and without calibration frames."""


def told(night):
    with finished_run(night.out) as run:
        return resolution_of(run), run.stars, run.table


def true_frequency(night, plane, stars, table):
    """Where the sum of the halves correlates with the truth by one half, under the same windows.

    Stars have another width in the truth; their masks cover what differs.
    """
    halves = [night.layer(f"{plane}_{half}", "halves.fits").astype(np.float32) for half in "AB"]
    name = "G1" if plane == "G" else plane
    light = night.true_layer(name) + night.true_layer(f"{name}_STARS")
    pair = {plane: (0.5 * (halves[0] + halves[1]), light.astype(np.float32))}
    lights = Lights.of_table(table)
    known = curves(pair, star_covers(stars, {plane: (halves[0], halves[1])}), lights)[plane]
    rings = known.sums.rings(known.share)
    square = np.maximum(rings.value, 0) ** 2
    return crossing(Rings(rings.frequency, square / (2 - square), rings.count), ONE_SEVENTH, 1.0)[0]


@pytest.fixture(scope="module")
def dithered(tmp_path_factory):
    return made(tmp_path_factory.mktemp("dithered"), SCENE)


def test_halves_find_what_the_truth_says(dithered):
    """8 %: masks differ here, and a frequency has a scatter of 2 % in so small a stack; benchmarks/fineness.py."""
    found, stars, table = told(dithered)
    assert set(found) == set(OUTPUT_PLANES)
    for plane, facts in found.items():
        assert facts["reason"] is None
        true = true_frequency(dithered, plane, stars, table)
        assert facts["cycles_per_px"]["value"] == pytest.approx(true, rel=0.08), plane
        assert facts["arcsec"]["value"] == pytest.approx(facts["value"] * 206.264806 * 3.76 / 530, rel=1e-6)
    assert found["G"]["value"] < found["G1"]["value"], "two greens have more signal over noise than one"
    json.dumps(found, allow_nan=False)


def test_lights_that_are_not_dithered_get_a_reason(tmp_path):
    night = made(tmp_path, STILL)
    found, _, _ = told(night)
    assert set(found) == set(OUTPUT_PLANES)
    for facts in found.values():
        assert "not dithered" in facts["reason"]
        assert facts["value"] is None
