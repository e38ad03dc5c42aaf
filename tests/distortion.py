"""Radial distortion as optics have it, for tests of curved maps."""

import numpy as np

from fourlight.core import maps

SHAPE = (2800, 4100)


def distorted(points, size_px=5.0, middle=(2000.0, 1500.0), turned=True):
    """Radial distortion of third order about a centre, the usual first term of Brown 1966; then a turn."""
    offset = points - np.array(middle)
    radius2 = (offset**2).sum(axis=1, keepdims=True)
    bent = points + offset * radius2 * size_px / 2400**3
    if not turned:
        return bent
    return np.column_stack(maps.apply(np.array([[0.8, -0.6, 40.0], [0.6, 0.8, -900.0]]), *bent.T))


def scattered_points(count, seed=1):
    return np.random.default_rng(seed).uniform(0, 1, (count, 2)) * [SHAPE[1] - 1, SHAPE[0] - 1]
