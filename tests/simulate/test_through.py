"""Stacks drawn at once are those of single subs, with and without dyes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fourlight.sensor.response import WAVE_NM
from fourlight.simulate.light import throughput
from fourlight.simulate.scene import loads
from fourlight.simulate.through import Exposed, of_one_channel, one_light, summed, world_through

SCENE = """
seed = 3
[object]
kind = "disc"
size = 500.0
halpha_rayleigh = 300.0
[stars]
count = 0
cluster_count = 0
[optics]
vignetting = 0.0
dust_motes = 0
[camera]
width_px = 160
height_px = 120
read_noise_e = 3.0
gain_e_per_adu = 1.2
hot_share = 0.0
dead_share = 0.0
glow_e_per_s = 0.0
column_offset_e = 0.0
prnu = 0.0
cosmic_rays_per_cm2_s = 0.0
[[nights]]
count = 1
"""
EXPOSED = Exposed(6, 40.0, 0.8, np.array([0.3, 0.5, 0.2]))


@pytest.fixture(scope="module")
def world():
    scene = loads(SCENE)
    return world_through(scene, throughput(scene))


def test_the_sum_at_once_is_that_of_single_subs(world):
    """Means and scatters of the colours over all samples agree within their errors."""
    made, plan = world
    at_once = summed(made, plan, EXPOSED, np.random.default_rng(5))
    one_by_one = np.sum([one_light(made, plan, EXPOSED, n + 1) for n in range(6)], axis=0)
    for y, x in ((0, 0), (0, 1), (1, 1)):
        first, second = at_once[y::2, x::2], one_by_one[y::2, x::2]
        error = (2 * first.var() / first.size) ** 0.5
        assert first.mean() == pytest.approx(second.mean(), abs=4 * error)
        assert first.std() == pytest.approx(second.std(), rel=4 / first.size**0.5)


def test_a_share_of_the_subs_has_the_light_of_all_and_more_noise(world):
    made, plan = world
    green = of_one_channel(made, 1)
    whole, half = (summed(green, plan, EXPOSED, np.random.default_rng(6), share) for share in (1.0, 0.5))
    assert half.mean() == pytest.approx(whole.mean(), rel=0.01)
    assert half.var() == pytest.approx(2 * whole.var(), rel=0.06)


def test_one_channel_fills_all_pixels(world):
    made, plan = world
    for channel, (y, x) in ((0, (0, 0)), (2, (1, 1))):
        alone = summed(of_one_channel(made, channel), plan, EXPOSED, np.random.default_rng(7))
        mosaic = summed(made, plan, EXPOSED, np.random.default_rng(8))[y::2, x::2]
        assert alone.mean() == pytest.approx(mosaic.mean(), rel=0.01)
        assert alone[::2, 1::2].mean() == pytest.approx(alone[1::2, ::2].mean(), rel=0.02)


def test_curves_and_area_are_those_that_are_given(world):
    made, plan = world
    light = made.light
    lines = {name: 2 * share for name, share in light.lines.items()}
    double, again = world_through(made.scene, replace(light, curves=2 * light.curves, lines=lines))
    dark = replace(EXPOSED, sky_e_s=np.zeros(3))
    one = summed(made, plan, dark, np.random.default_rng(9)).mean()
    two = summed(double, again, dark, np.random.default_rng(9)).mean()
    floor = 6 * 40.0 * 0.004 * np.exp(0.15**2 / 2)
    assert two - floor == pytest.approx(2 * (one - floor), rel=0.02)
    assert made.light.curves.shape == (3, len(WAVE_NM))
