"""Who tells of which line, what it costs, what leaks: by hand, by definition, and by unmixing with a wrong matrix."""

from __future__ import annotations

import numpy as np
import pytest

from fourlight.core.leakage import (
    drawn,
    inflation,
    information,
    left_without,
    mixed_up,
    recipe_noise,
    systematic,
)
from fourlight.core.unmix import gain_of

DUAL = np.array([[0.96, 0.06], [0.19, 0.94], [0.10, 0.47]])
NOISE = np.array([10.0, 4.0, 5.0])


def covariance(matrix, variance):
    return np.linalg.inv((matrix / variance[:, None]).T @ matrix)


def test_inflation_is_that_of_the_covariance():
    """Variance with all unknown over that with the others known (the variance inflation factor of regression)."""
    alone = 1 / ((DUAL**2) / NOISE[:, None]).sum(axis=0)
    np.testing.assert_allclose(inflation(DUAL, NOISE), np.diag(covariance(DUAL, NOISE)) / alone, rtol=1e-9)


def test_a_line_that_another_mixes_up_to_cannot_be_told():
    mixed = np.column_stack([DUAL, DUAL @ [0.3, 0.7]])
    assert np.isinf(inflation(mixed, NOISE)).all()


def test_shares_of_information_are_those_of_the_prototype():
    """Own prototype: [OIII] in G .79, B .21, R .002 where green's samples are twice as many and twice as noisy."""
    shares = information(DUAL, np.array([1.0, 1.06, 1.0]))[1]
    np.testing.assert_allclose(shares, [0.004, 0.79, 0.21], atol=0.012)
    np.testing.assert_allclose(information(DUAL, NOISE).sum(axis=1), 1.0)


def test_what_is_left_without_a_channel():
    gone = np.array([False, True, False])
    kept = DUAL[~gone]
    expected = np.sqrt(np.diag(covariance(DUAL, NOISE)) / np.diag(covariance(kept, NOISE[~gone])))
    np.testing.assert_allclose(left_without(DUAL, NOISE, gone), expected, rtol=1e-9)
    assert 0.3 < left_without(DUAL, NOISE, gone)[1] < 0.6, "own prototype: 0.48"


def test_nothing_is_left_where_too_few_channels_are():
    np.testing.assert_array_equal(left_without(DUAL, NOISE, np.array([True, True, False])), 0.0)
    alike = np.array([[1.0, 1.0], [1.0, 0.0], [2.0, 2.0]])
    np.testing.assert_array_equal(left_without(alike, NOISE, np.array([False, True, False])), 0.0)


def test_leak_is_that_of_a_wrong_matrix():
    rng = np.random.default_rng(3)
    modes = 0.01 * rng.standard_normal((4, 3, 2))
    each = [gain_of(DUAL, NOISE) @ (DUAL + mode) - np.eye(2) for mode in modes]
    np.testing.assert_allclose(
        systematic(DUAL, NOISE, modes), np.sqrt(np.square(each).sum(axis=0)), rtol=1e-9
    )


def test_a_matrix_without_error_leaks_nothing():
    np.testing.assert_array_equal(systematic(DUAL, NOISE, np.zeros((0, 3, 2))), 0.0)
    np.testing.assert_array_equal(drawn(DUAL, np.zeros((0, 3, 2)), 3, 1), np.repeat(DUAL[None], 3, axis=0))


def test_drawn_matrices_scatter_by_their_modes_and_count_nothing_below_zero():
    modes = np.zeros((2, 3, 2))
    modes[0, 0, 0], modes[1, 0, 1] = 0.1, 0.2
    found = drawn(DUAL, modes, 20_000, 4)
    assert found[:, 0, 0].std() == pytest.approx(0.1, rel=0.03)
    assert found[:, 0, 1].min() == 0.0
    np.testing.assert_array_equal(found[:, 2], np.repeat(DUAL[None, 2], 20_000, axis=0))


def test_plain_recipes_leak_what_the_prototype_found():
    """Own prototype: [OIII] = (G + B) / 2 holds 20 % of Hα."""
    recipe = np.array([[1.0, 0.0, 0.0], [0.0, 0.5, 0.5]])
    found = mixed_up(recipe, DUAL)
    assert found[1, 0] == pytest.approx(0.205, abs=0.01)
    assert found[0, 1] == pytest.approx(0.06 / 0.96)
    noise = recipe_noise(recipe, DUAL, NOISE)
    np.testing.assert_allclose(noise, [np.sqrt(10.0) / 0.96, np.sqrt(0.25 * 9.0) / 0.705])


def test_a_mixture_that_takes_nothing_of_its_own_kind_leaks_without_bound():
    """By a drawn matrix whose red counts nothing of Halpha, told from red alone."""
    found = mixed_up(np.array([[1.0, 0.0], [0.0, 1.0]]), np.array([[0.0, 0.1], [0.2, 0.8]]))
    assert np.isnan(found[0, 0])
    assert found[0, 1] == np.inf
    np.testing.assert_array_equal(found[1], [0.25, 1.0])


def test_our_own_gain_as_a_recipe_leaks_nothing():
    own = gain_of(DUAL, NOISE)
    np.testing.assert_allclose(mixed_up(own, DUAL), np.eye(2), atol=1e-12)
    np.testing.assert_allclose(recipe_noise(own, DUAL, NOISE) ** 2, np.diag(covariance(DUAL, NOISE)))
