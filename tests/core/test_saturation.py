"""The pile of full samples. The shared real pair has one of 306 samples at 13583 ADU."""

from __future__ import annotations

import numpy as np
import pytest

from fields import paint_stars
from fourlight.core.saturation import bounds, full_level


def _bright(seed: int = 1) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return np.concatenate([rng.normal(1000, 30, 50_000), 1000 + 300 * rng.pareto(1.2, 4000)])


def test_pile_is_found_far_below_the_number_type() -> None:
    values = np.rint(np.minimum(_bright(), 13583))
    found = full_level(values)
    assert found is not None
    assert found[0] == pytest.approx(13583, rel=0.005)
    assert found[1] >= np.sum(values == 13583)


def test_samples_that_fill_at_slightly_different_levels() -> None:
    rng = np.random.default_rng(2)
    limit = rng.normal(15000, 15, 54_000)
    found = full_level(np.minimum(_bright(), limit))
    assert found is not None
    assert found[0] == pytest.approx(15000, rel=0.01)


def test_no_pile_without_full_samples() -> None:
    for seed in range(5):
        values = _bright(seed)
        assert full_level(values[values < 40_000]) is None
    assert full_level(np.random.default_rng(3).normal(1000, 30, 50_000)) is None


def test_few_constant_and_missing_values() -> None:
    assert full_level([]) is None
    assert full_level(np.full(100, 500.0)) is None
    assert full_level(np.full(100, np.nan)) is None


def test_bright_samples_alone_give_the_same() -> None:
    values = np.rint(np.minimum(_bright(), 13583))
    usual = float(np.percentile(values, 95))
    bright = values[values > max(usual, values.max() / 2)]
    assert len(bright) < 0.1 * len(values)
    assert full_level(bright, usual) == full_level(values)
    assert full_level(bright, 7000.0) is None


@pytest.mark.parametrize("fwhm", [1.8, 3.0, 8.0])
def test_stars_that_are_not_full_have_no_flat_top(fwhm: float) -> None:
    """Nor has a star above the lowest level at which samples of its frames may be full."""
    star = paint_stars((41, 41), np.array([20.3]), np.array([19.8]), np.array([1.0]), fwhm)
    found = bounds((star / star.max() * 60_000).astype(np.float32), 50_000.0)
    assert found is not None
    assert np.isinf(found[1]).all()
    assert bounds((star / star.max() * 40_000).astype(np.float32), 50_000.0) is None


def test_flat_tops_beside_pixels_without_samples() -> None:
    star = paint_stars((41, 41), np.array([20.0]), np.array([20.0]), np.array([1.0]), 4.0)
    plane = np.minimum(star / star.max() * 400_000, 50_000).astype(np.float32)
    plane[:, 22:] = np.nan
    found = bounds(plane, 49_000.0)
    assert found is not None
    least, most = found
    assert least[20, 16] == plane[18:23, 14:19].min()
    assert np.isinf(least[20, 30])
    assert most[20, 20] == most[20, 18] == 50_000
    assert np.isinf(most[20, 30])
    assert np.isinf(most[5, 5])
