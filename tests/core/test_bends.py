"""Maps of third order: against numpy's polynomials, exact for affine ones, and undone."""

import numpy as np
import pytest

from distortion import SHAPE, distorted, scattered_points
from fourlight.core import bends, maps


def test_radial_distortion_of_third_order_is_a_map_of_third_order():
    points = scattered_points(60)
    bend = bends.polynomial(points, distorted(points), np.ones(60))
    others = scattered_points(500, seed=2)
    np.testing.assert_allclose(np.column_stack(bends.apply(bend, *others.T)), distorted(others), atol=1e-8)
    assert not bends.is_straight(bend)


def test_rows_are_the_map():
    points = scattered_points(20)
    bend = bends.polynomial(points, distorted(points), np.ones(20))
    row = np.empty((2, 4))
    for x, y in points:
        bends.along_row(bend, y, 3.0, -4.0, row)
        expected = bends.apply(bend, np.array([x]), np.array([y]))
        assert bends.place(row[0], x) + 3.0 == pytest.approx(expected[0][0], abs=1e-8)
        assert bends.place(row[1], x) - 4.0 == pytest.approx(expected[1][0], abs=1e-8)


def test_the_inverse_undoes_an_affine_map_exactly_and_a_bent_one_nearly():
    points = scattered_points(200)
    matrix = np.array([[0.8, -0.6, 40.0], [0.6, 0.8, -900.0]])
    back = bends.inverse(bends.straight(matrix), SHAPE, SHAPE)
    np.testing.assert_array_equal(back, bends.straight(maps.inverse(matrix)))
    bend = bends.polynomial(points, distorted(points), np.ones(200))
    back = bends.inverse(bend, SHAPE, (5000, 5000))
    left = np.column_stack(bends.apply(back, *distorted(points).T)) - points
    assert np.abs(left).max() < 0.05


def test_weights_say_which_points_count():
    points = scattered_points(80)
    wrong = distorted(points)
    wrong[:5] += 50.0
    weight = np.where(np.arange(80) < 5, 1e-12, 1.0)
    bend = bends.polynomial(points, wrong, weight)
    np.testing.assert_allclose(
        np.column_stack(bends.apply(bend, *points[5:].T)), distorted(points)[5:], atol=1e-6
    )
