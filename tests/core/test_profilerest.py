"""The map of what stars have in common beside their profile."""

import numpy as np
import pytest

from fourlight.core.pixelprofile import fill_profile
from fourlight.core.profilerest import FINE, USUAL, add_rest, no_rest, rest_at, settled_rest

CELL, SHAPE, WINGS, RADIUS = np.array([[0, 1], [2, 3]]), np.array([0.4, 0.0, 0.4, 0.0, 0.0]), 0.3, 6


def bump(dx, dy):
    """A smooth lump beside the star, four per cent of its height."""
    return 0.04 * np.exp(-((dx - 1.5) ** 2 + (dy + 1.0) ** 2) / 3.0)


def test_the_map_is_linear_between_knots():
    rest = no_rest(3)[0]
    v, u = (np.mgrid[: rest.shape[0], : rest.shape[1]] - rest.shape[0] // 2) / FINE
    rest[:] = 2 * u - v + 0.5
    rng = np.random.default_rng(1)
    for dx, dy in rng.uniform(-4.9, 4.9, (20, 2)):
        assert rest_at(rest, dx, dy) == pytest.approx(2 * dx - dy + 0.5)
    assert rest_at(rest, 5.1, 0.0) == rest_at(rest, 0.0, -5.1) == 0.0


def test_the_lump_of_all_stars_is_found():
    rng, n = np.random.default_rng(2), 60
    x, y = (np.repeat(part[:, None], 4, axis=1) for part in rng.uniform(15, 285, (2, n)))
    image, out, height = np.full((300, 300), 30.0), np.empty(7), rng.uniform(1e3, 1e4, n)
    for k in range(n):
        for j in range(round(y[k, 0]) - 9, round(y[k, 0]) + 10):
            for i in range(round(x[k, 0]) - 9, round(x[k, 0]) + 10):
                fill_profile(i - x[k, 0], j - y[k, 0], SHAPE, WINGS, out)
                image[j, i] += height[k] * (out[6] + bump(i - x[k, 0], j - y[k, 0]))
    apart = [k for k in range(n) if (np.hypot(x[:, 0] - x[k, 0], y[:, 0] - y[k, 0]) > 22).sum() == n - 1]
    x, y, height = x[apart], y[apart], height[apart]
    scale, flat, photon = np.tile(height[:, None], (1, 4)), np.full(len(apart), 1e-6), np.zeros(len(apart))
    rest = no_rest(RADIUS)[0]
    for _ in range(8):
        total, sure = np.zeros_like(rest), np.zeros_like(rest)
        for plane in range(4):
            add_rest(
                image.astype(np.float32), CELL, np.array([plane]), x, y, RADIUS, scale, flat, photon, SHAPE[:3].copy(),
                WINGS, SHAPE, WINGS, rest, 1.0, total, sure,
            )  # fmt: skip
        rest = settled_rest(rest, total, sure)
    # any part of the profile itself, and of an even sky, goes to the height and the sky of each star
    v, u = (part.ravel() for part in np.mgrid[-4.5:4.6:0.5, -4.5:4.6:0.5])
    apart = np.array([rest_at(rest, dx, dy) for dx, dy in zip(u, v, strict=True)]) - bump(u, v)
    design = np.column_stack([np.ones_like(u), np.zeros_like(u)])
    for k in range(u.size):
        fill_profile(u[k], v[k], SHAPE, WINGS, out)
        design[k, 1] = out[6]
    left = apart - design @ np.linalg.lstsq(design, apart, rcond=None)[0]
    assert np.std(left) < 0.02 * 0.04
    assert np.abs(left).max() < 0.15 * 0.04


def test_where_samples_say_nothing_the_map_goes_to_zero():
    rest, sure = np.array([[0.01, 0.01]]), np.array([[0.0, 1e3 / USUAL**2]])
    np.testing.assert_allclose(settled_rest(rest, 0 * rest, sure), [[0.0, 0.01]], rtol=2e-3)
