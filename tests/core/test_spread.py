"""Centre and scatter with outliers and whole numbers."""

from __future__ import annotations

import numpy as np
import pytest

from fourlight.core.spread import sort_few, spread


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


@pytest.mark.parametrize("count", [3, 60, 300, 5000])
@pytest.mark.parametrize("kind", ["normal", "whole numbers", "outliers"])
def test_scatter_is_the_fixed_point_of_gaussian_weights(count: int, kind: str) -> None:
    """A slow version with the exponential itself, iterated plainly; the scatter is known to 1 / sqrt(2 n)."""
    values = np.random.default_rng(count).normal(40.0, 3.0, count)
    if kind == "whole numbers":
        values = np.rint(values)
    if kind == "outliers":
        values[: count // 10] += 100.0
    centre, sigma = float(np.median(values)), float(np.std(values)) or 1.0
    for _ in range(500):
        weight = np.exp(-0.5 * ((values - centre) / (1.5 * sigma)) ** 2)
        centre = float((weight * values).sum() / weight.sum())
        variance = float((weight * (values - centre) ** 2).sum() / weight.sum())
        sigma = np.sqrt(variance * (1 + 1.5**2) / 1.5**2)
    found = spread(values)
    assert found[1] == pytest.approx(sigma, rel=0.03 / np.sqrt(2 * count) + 1e-3)
    assert found[0] == pytest.approx(centre, abs=0.05 * sigma / np.sqrt(count))


@pytest.mark.parametrize("count", [0, 1, 2, 3, 7, 64, 1000])
def test_sorting(count: int) -> None:
    values = np.random.default_rng(count).integers(0, 50, count).astype(np.float64)
    expected = np.sort(values)
    sort_few(values)
    np.testing.assert_array_equal(values, expected)


def test_values_that_are_nearly_all_equal() -> None:
    """No central range but the widest holds anything but the one value."""
    values = np.full(1000, 3.0)
    values[:2] = (2.0, 5.0)
    centre, sigma = spread(values)
    assert centre == pytest.approx(3.0, abs=1e-3)
    assert sigma < 0.1
    assert spread([1e-300, -1e-300, 0.0, 0.0])[1] >= 0.0
