"""Errors by leaving parts out, against plain statistics."""

from __future__ import annotations

import numpy as np
import pytest

from fourlight.core.regionerror import Measured, agreed, ratio_of_sums, scattered


def test_of_a_mean_the_jackknife_is_the_standard_error() -> None:
    """Exact: standard deviation over the root of n."""
    x = np.random.default_rng(1).normal(5, 2, 40)
    found = ratio_of_sums(x, np.ones(40))
    assert found.value == pytest.approx(x.mean())
    assert found.error == pytest.approx(x.std(ddof=1) / 40**0.5)


def test_of_a_ratio_it_is_the_linear_error_of_a_survey() -> None:
    """Cochran 1977, ratio estimator: sqrt(sum (y - r x)^2 n / (n - 1)) / sum x, to second order in 1 / n."""
    rng = np.random.default_rng(2)
    x = rng.uniform(1, 2, 300)
    y = 3 * x + rng.normal(0, 0.2, 300)
    found = ratio_of_sums(y, x)
    linear = np.sqrt(((y - found.value * x) ** 2).sum() * 300 / 299) / x.sum()
    assert found.error == pytest.approx(linear, rel=0.01)


def test_one_part_has_no_error_and_none_no_value() -> None:
    assert ratio_of_sums(np.array([2.0]), np.array([1.0])) == Measured(2.0, float("inf"))
    assert np.isnan(ratio_of_sums(np.array([np.nan]), np.array([1.0])).value)


def test_agreeing_values_keep_their_error() -> None:
    rng = np.random.default_rng(3)
    enlarged = sum(agreed(rng.normal(1, 0.1, 4), np.full(4, 0.1)).excess > 1 for _ in range(2000))
    # by chance in one of a hundred
    assert enlarged == pytest.approx(20, abs=4 * 20**0.5)


def test_disagreeing_values_share_a_larger_one() -> None:
    found = agreed(np.array([1.0, 2.0]), np.array([0.1, 0.1]))
    assert found.value == pytest.approx(1.5)
    # Birge: chi-squared is 50 with one degree of freedom
    assert found.error == pytest.approx(0.1 / 2**0.5 * 50**0.5)


def test_a_single_value_is_not_doubted() -> None:
    assert scattered(np.array([9.0]), np.array([0.1]), Measured(1.0, 0.1)) == Measured(1.0, 0.1)
