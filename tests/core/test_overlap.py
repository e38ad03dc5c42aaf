"""Overlap of drops with pixels against exact areas, another polygon rule and random points."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fourlight.core.overlap import PHASES, _area, overlap_table, span


def turn(degrees, scale=1.0):
    c, s = scale * np.cos(np.radians(degrees)), scale * np.sin(np.radians(degrees))
    return np.array([[c, -s], [s, c]])


def place(index, pixels):
    """Centre of a drop, counted from the first of the pixels it may touch."""
    return (index + 0.5) / PHASES + 0.5 * (pixels - 2)


def shared(position, side, pixel):
    low, high = max(position - side / 2, pixel - 0.5), min(position + side / 2, pixel + 0.5)
    return max(0.0, high - low) / side


@pytest.mark.parametrize(("scale", "pixfrac"), [(1.0, 1.0), (1.0, 0.6), (1.3, 1.0), (1.0, 2.0), (2.4, 0.5)])
def test_upright_drops_have_exact_areas(scale, pixfrac):
    """Without a turn the overlap is a product of two overlaps of intervals."""
    table = overlap_table(scale * np.eye(2), pixfrac)
    n = table.shape[2]
    for j, i in ((0, 0), (17, 64), (255, 90), (63, 255)):
        across = np.array([shared(place(i, n), scale * pixfrac, u) for u in range(n)])
        down = np.array([shared(place(j, n), scale * pixfrac, v) for v in range(n)])
        np.testing.assert_allclose(table[i, j], np.outer(down, across), atol=3e-7)


@settings(max_examples=8, deadline=None)
@given(st.floats(0, 360), st.floats(0.4, 3.0), st.floats(0.3, 2.0), st.booleans())
def test_shares_sum_to_one(degrees, scale, pixfrac, mirrored):
    linear = turn(degrees, scale) @ np.diag([1, -1 if mirrored else 1])
    table = overlap_table(linear, pixfrac)
    np.testing.assert_allclose(table.sum(axis=(2, 3)), 1.0, atol=2e-6)
    assert table.min() >= 0
    assert table.shape == (PHASES, PHASES, span(linear, pixfrac), span(linear, pixfrac))


@pytest.mark.parametrize(("degrees", "scale", "pixfrac"), [(30, 1.0, 1.0), (45, 1.4, 0.7), (101, 0.8, 2.0)])
def test_turned_drops_against_random_points(degrees, scale, pixfrac):
    """The share of 2e5 points of the drop in each pixel: errors up to sqrt(.25 / 2e5) = 0.0011 per pixel."""
    linear = turn(degrees, scale)
    table = overlap_table(linear, pixfrac)
    n = table.shape[2]
    points = np.random.default_rng(1).uniform(-0.5, 0.5, (200_000, 2)) * pixfrac
    for j, i in ((5, 100), (64, 20)):
        x, y = (linear @ points.T) + np.array([[place(i, n)], [place(j, n)]])
        counts, *_ = np.histogram2d(y, x, bins=[np.arange(n + 1) - 0.5] * 2)
        np.testing.assert_allclose(table[i, j], counts / len(points), atol=5 * 0.0011)


def test_area_of_a_turned_square_is_geometry():
    # a square of diagonal 1 stands on its corner inside the unit pixel: area 1/2; half of it in each half-plane
    x, y, work = np.array([0.5, 1.0, 0.5, 0.0]), np.array([0.0, 0.5, 1.0, 0.5]), np.empty((4, 12))
    assert _area(x, y, 0.0, 0.0, work) == pytest.approx(0.5, abs=1e-12)
    assert _area(x, y, 0.5, 0.0, work) == pytest.approx(0.25, abs=1e-12)
    assert _area(x, y, 0.5, 0.5, work) == pytest.approx(0.125, abs=1e-12)
    assert _area(x, y, 3.0, 0.0, work) == 0
    # a regular octagon of inner radius 1/2: 2 (sqrt 2 - 1) of the unit square
    side = np.sqrt(0.5)
    assert _area(
        side * np.array([0, 1, 0, -1]), side * np.array([-1, 0, 1, 0]), -0.5, -0.5, work
    ) == pytest.approx(2 * (np.sqrt(2) - 1), abs=1e-12)


def test_a_quarter_turn_turns_the_table():
    linear = turn(20, 1.1)
    straight, turned = overlap_table(linear, 1.0), overlap_table(turn(90) @ linear, 1.0)
    np.testing.assert_allclose(turned, np.rot90(np.rot90(straight, -1, (1, 0)), -1, (2, 3)), atol=1e-6)


def test_span_covers_any_place_of_the_drop():
    # a drop of width w touches at most ceil(w) + 1 pixels of a row; a square turned by 45 deg is sqrt 2 wide
    assert span(np.eye(2), 0.01) == 2
    assert span(np.eye(2), 1.0) == 2
    assert span(np.eye(2), 2.0) == 3
    assert span(turn(45), 2.0) == 4
    assert span(turn(0, 4.0), 2.0) == 9
