"""Centre and scatter with outliers and whole numbers."""

from __future__ import annotations

import numpy as np
import pytest

from fourlight.core.spread import spread


@pytest.mark.parametrize(
    ("sigma", "tolerance"),
    [(0.4, 0.04), (0.6, 0.015), (0.8, 0.006), (1.0, 0.006), (2.3, 0.006), (30.0, 0.006)],
)
def test_whole_numbers_do_not_bias_the_scatter(sigma: float, tolerance: float) -> None:
    values = np.rint(np.random.default_rng(1).normal(500.3, sigma, 200_000))
    # quantisation adds 1/12 ADU^2: uniform distribution, EMVA 1288 (0.288675 ADU)
    expected = np.hypot(sigma, 0.288675)
    assert spread(values)[1] == pytest.approx(expected, rel=tolerance)


def test_median_absolute_deviation_would_fail_where_spread_does_not() -> None:
    from astropy.stats import mad_std

    values = np.rint(np.random.default_rng(2).normal(0.0, 1.2, 100_000))
    expected = np.hypot(1.2, 0.288675)
    assert abs(mad_std(values) / expected - 1) > 0.15
    assert spread(values)[1] == pytest.approx(expected, rel=0.006)


@pytest.mark.parametrize(("share", "tolerance"), [(0.0, 0.005), (0.02, 0.005), (0.10, 0.01), (0.20, 0.03)])
def test_far_outliers_leave_the_scatter_alone(share: float, tolerance: float) -> None:
    rng = np.random.default_rng(3)
    values = rng.normal(0.0, 1.0, 100_000)
    count = int(share * len(values))
    values[:count] = rng.uniform(10, 1000, count)
    centre, sigma = spread(values)
    assert sigma == pytest.approx(1.0, rel=tolerance)
    assert abs(centre) < 0.02


def test_scale_and_shift_carry_through() -> None:
    values = np.random.default_rng(4).normal(0.0, 1.0, 5000)
    centre, sigma = spread(values)
    assert spread(1e6 + 250.0 * values) == (
        pytest.approx(1e6 + 250.0 * centre),
        pytest.approx(250.0 * sigma, rel=1e-4),
    )


def test_empty_constant_and_missing_values() -> None:
    assert np.isnan(spread([])).all()
    assert np.isnan(spread([np.nan, np.inf])).all()
    assert spread(np.full(50, 7.0)) == (7.0, 0.0)
    assert spread([3.0]) == (3.0, 0.0)
    assert spread([1.0, np.nan, 1.0]) == (1.0, 0.0)
