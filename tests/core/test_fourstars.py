"""Figures of four stars: what does not change them, and that none is told twice."""

from itertools import combinations

import numpy as np

from fourlight.core.fourstars import described, figures, mirrored


def test_turned_scaled_and_renamed_figures_are_alike():
    random = np.random.default_rng(2)
    corners = random.uniform(0, 1, (200, 4, 2))
    code, order, size = described(corners)
    angle = 0.7
    turn = 3.0 * np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    shuffled = random.permuted(np.tile(np.arange(4), (200, 1)), axis=1)
    moved = np.take_along_axis(corners @ turn.T + 5, shuffled[..., None], axis=1)
    again, order_again, size_again = described(moved)
    assert np.allclose(code, again, atol=1e-9)
    assert np.allclose(3 * size, size_again)
    assert np.array_equal(np.take_along_axis(shuffled, order_again, axis=1), order)


def test_mirrored_figures_have_mirrored_numbers():
    corners = np.random.default_rng(3).uniform(0, 1, (100, 4, 2))
    code, _, _ = described(corners)
    assert np.allclose(described(corners * [1, -1])[0], mirrored(code), atol=1e-9)


def test_all_numbers_lie_within_the_circle_of_the_farthest_pair():
    code, _, size = described(np.random.default_rng(4).uniform(0, 1, (500, 4, 2)))
    assert (np.hypot(code[:, 0], code[:, 1]) <= 1 + 1e-9).all()
    assert (code[:, 0] <= code[:, 2] + 1e-12).all()
    assert (code[:, 0] + code[:, 2] <= 1 + 1e-9).all()
    assert (size > 0).all()


def test_every_figure_is_told_once():
    points = np.random.default_rng(5).uniform(0, 1, (9, 2))
    found = figures(points, 8)
    assert {tuple(row) for row in found} == set(combinations(range(9), 4))
    assert len(found) == len({tuple(row) for row in found})
    assert len(figures(points[:3], 8)) == 0
