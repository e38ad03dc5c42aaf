"""From planes to maps: light comes back, sky goes, what is missing is missing."""

from __future__ import annotations

import numpy as np
import pytest

from fourlight.errors import InputError
from fourlight.stages.canvas import Canvas
from fourlight.stages.line_kinds import LightSet, choose_kinds
from fourlight.stages.line_maps import line_maps, planes_above_sky
from fourlight.stages.line_noise import noise_over_claim
from line_stacks import Layers, blobs, dual, lined, star_list

NONE = star_list([], [])


def told(layers, stars=NONE, canvas=None):
    canvas = canvas or Canvas()
    planes = planes_above_sky(layers, stars, canvas, "OUT")
    telling = choose_kinds([LightSet(dual(), planes.usual_variance())])
    return planes, telling, line_maps([planes], telling, canvas)


def test_light_comes_back_in_electrons_of_a_mean_sample():
    """Blocks of 16 pixels scatter by what the variances say; a light slope of the sky is gone with it."""
    layers, light = lined()
    _, telling, maps = told(layers)
    for name, true in light.items():
        away = maps.light[name] - telling.units[telling.columns.index(name)] * true
        pull = away.reshape(20, 16, 25, 16).mean(axis=(1, 3)) / np.sqrt(maps.variance(name).mean()) * 16
        assert pull.std() == pytest.approx(1.0, abs=0.12), (
            "500 blocks: known to 3 %, and the level of the sky"
        )
        assert abs(pull.mean()) < 0.5


def test_the_claim_is_that_of_the_halves():
    layers, _ = lined()
    planes, telling, _ = told(layers)
    found = noise_over_claim(layers, telling, planes.usual_variance(), planes.near_stars)
    for each in found.values():
        assert each["8"] == pytest.approx(1.0, abs=0.05)
        assert each["16"] == pytest.approx(1.0, abs=0.12)


def test_noise_beyond_the_claim_is_found():
    layers, _ = lined(sigma=1.3)
    planes, telling, _ = told(layers)
    found = noise_over_claim(layers, telling, planes.usual_variance(), planes.near_stars)
    assert found["oiii"]["8"] == pytest.approx(1.3, abs=0.07)


def test_covariances_of_lines_are_told():
    """What leaks in is taken off again: errors of both lines go against each other."""
    layers, _ = lined()
    _, _, maps = told(layers)
    shared = maps.covariance["halpha", "oiii"]
    assert (shared < 0).all()
    noise = np.sqrt(maps.variance("halpha") * maps.variance("oiii"))
    assert (np.abs(shared) < noise).all()


def test_parts_do_not_show():
    """Little memory cuts the field in parts: the same to the last bit."""
    layers, _ = lined()
    whole = told(layers, canvas=Canvas(memory_bytes=4e9))[2]
    parts = told(layers, canvas=Canvas(memory_bytes=1e3, threads=2))[2]
    for name in whole.columns:
        np.testing.assert_array_equal(whole.light[name], parts.light[name])
        np.testing.assert_array_equal(whole.variance(name), parts.variance(name))


def test_pixels_without_a_channel_are_not_told():
    layers, _ = lined()
    layers.read("B", "value")[40:50, 60:80] = np.nan
    layers.read("G", "variance")[100, 100] = np.nan
    maps = told(layers)[2]
    for name in maps.columns:
        assert np.isnan(maps.light[name][40:50, 60:80]).all()
        assert np.isnan(maps.light[name][100, 100])
        assert np.isnan(maps.light[name]).sum() == 201


def test_a_plane_without_pixels_is_said():
    layers, _ = lined()
    layers.read("B", "value")[:] = np.nan
    with pytest.raises(InputError, match="OUT: its plane B holds no pixel"):
        told(layers)


def test_planes_that_nowhere_lie_together_are_said():
    layers, _ = lined()
    layers.read("B", "value")[:, :200] = np.nan
    layers.read("R", "value")[:, 200:] = np.nan
    with pytest.raises(InputError, match="OUT: no pixel holds red, green and blue"):
        told(layers)


def test_stars_do_not_raise_the_sky():
    light = blobs()
    values = np.zeros((3, *light["halpha"].shape))
    rng = np.random.default_rng(4)
    x, y = rng.uniform(5, 395, 40), rng.uniform(5, 315, 40)
    for cx, cy in zip(x.astype(int), y.astype(int), strict=True):
        values[:, max(cy - 1, 0) : cy + 2, max(cx - 1, 0) : cx + 2] += 500
    planes, _, _ = told(Layers(values, (9.0, 4.0, 5.0)), star_list(x, y))
    assert all(abs(float(np.median(value))) < 0.2 for value in planes.values)
    assert planes.near_stars.mean() > 0.02
