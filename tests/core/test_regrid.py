"""Planes on another grid: light of stars and areas, noise of areas, what is undefined."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import map_coordinates

from fourlight.core import bends
from fourlight.core.regrid import regridded

ALL = (slice(0, 200), slice(0, 240))


def turned(degrees, scale, middle=(120.0, 100.0)):
    """From the new grid to the old one, around a middle."""
    a = np.radians(degrees)
    linear = scale * np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    return bends.straight(np.column_stack([linear, np.array([150.0, 130.0]) - linear @ middle]))


def star(shape, x, y, width):
    v, u = np.mgrid[: shape[0], : shape[1]]
    light = np.exp(-4 * np.log(2) * ((u - x) ** 2 + (v - y) ** 2) / width**2)
    return (1e4 * light / light.sum()).astype(np.float32)


@pytest.mark.parametrize(("degrees", "scale"), [(0, 1.0), (14, 1.0), (180, 1.0), (-31, 0.8), (70, 1.3)])
def test_light_of_a_star_stays(degrees, scale):
    """Wide enough for a cubic spline (FWHM 5 px of the old grid, 3.8 of the coarsest): to 0.1 %."""
    plane = star((260, 300), 151.3, 128.8, 5.0)
    found = regridded(plane, turned(degrees, scale), *ALL)
    assert np.nansum(found) == pytest.approx(1e4, rel=1e-3)


def test_the_same_grid_changes_nothing():
    plane = np.random.default_rng(1).normal(5, 1, (200, 240)).astype(np.float32)
    found = regridded(plane, bends.straight(np.eye(2, 3)), *ALL)
    np.testing.assert_allclose(found, plane, atol=1e-4)


def test_parts_are_those_of_the_whole():
    """Against scipy on the whole plane; parts start anew, with a margin that a spline does not feel."""
    plane = np.random.default_rng(2).normal(5, 1, (260, 300)).astype(np.float32)
    bend = turned(14, 1.0)
    whole = regridded(plane, bend, *ALL)
    part = regridded(plane, bend, slice(60, 90), slice(100, 130))
    np.testing.assert_allclose(part, whole[60:90, 100:130], atol=1e-4)
    u, v = bends.apply(bend, np.array([[115.0]]), np.array([[75.0]]))
    expected = map_coordinates(plane, [v.ravel(), u.ravel()], order=3)
    assert whole[75, 115] == pytest.approx(expected[0], abs=1e-4)


@pytest.mark.parametrize("scale", [0.8, 1.0, 1.25])
def test_variance_is_that_of_areas(scale):
    """White noise on the new grid, blocks of 10 pixels: 400 blocks in each of 3 draws, known to 2 %."""
    bend, scatter = turned(20, scale), []
    power = regridded(np.full((400, 460), 4.0, np.float32), bend, *ALL, power=True)
    for seed in range(3):
        plane = np.random.default_rng(seed).normal(0, 2, (400, 460)).astype(np.float32)
        found = regridded(plane, bend, *ALL)
        blocks = found.reshape(20, 10, 24, 10).mean(axis=(1, 3))
        claimed = power.reshape(20, 10, 24, 10).mean(axis=(1, 3)) / 100
        scatter.append((blocks / np.sqrt(claimed))[np.isfinite(blocks)])
    assert np.concatenate(scatter).std() == pytest.approx(1.0, abs=0.06)


def test_what_is_undefined_stays_so():
    plane = np.ones((260, 300), dtype=np.float32)
    plane[:, 200:] = np.nan
    found = regridded(plane, turned(0, 1.0), *ALL)
    u, _ = bends.apply(turned(0, 1.0), *np.meshgrid(np.arange(240.0), np.arange(200.0)))
    assert np.isnan(found[u > 199.5]).all()
    np.testing.assert_allclose(found[u < 198.5], 1.0, rtol=1e-5)


def test_a_plane_elsewhere_covers_nothing():
    away = bends.straight(np.array([[1.0, 0, 5000.0], [0, 1, 0]]))
    assert np.isnan(regridded(np.ones((50, 50), np.float32), away, *ALL)).all()
    assert np.isnan(regridded(np.full((260, 300), np.nan, np.float32), turned(0, 1.0), *ALL)).all()
