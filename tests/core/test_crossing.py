"""Crossings of curves whose truth is known: bias, scatter against the claimed range, limits."""

from __future__ import annotations

import numpy as np
import pytest

from fourlight.core.crossing import crossing
from fourlight.core.resolution import ONE_SEVENTH, Rings, half_bit

FREQUENCY = np.arange(1, 200) / 400


def curve(width=2.0, noise=2e-3):
    """Correlation of halves of an image with a spectrum of k^-3 under a Gaussian blur, S / (1 + S)."""
    signal = FREQUENCY**-3.0 * np.exp(-4 * (np.pi * width / 2.355 * FREQUENCY) ** 2) * noise
    return signal / (1 + signal)


def true_crossing(value, level):
    k = int(np.flatnonzero(value < level)[0])
    part = (value[k - 1] - level) / (value[k - 1] - value[k])
    return FREQUENCY[k - 1] + part * (FREQUENCY[k] - FREQUENCY[k - 1])


@pytest.mark.parametrize(("width", "noise"), [(2.0, 2e-3), (3.0, 1e-2), (4.0, 0.1)])
def test_bias_and_range_of_noisy_curves(width, noise):
    """Scatter of a ring: (1 - F^2) / sqrt(n), Fisher; 1 % is a fifth of what the resolution is asked to be good to."""
    rng, value = np.random.default_rng(1), curve(width, noise)
    count = 2 * np.pi * np.arange(1, 200)
    true = true_crossing(value, ONE_SEVENTH)
    found = np.array(
        [
            crossing(
                Rings(FREQUENCY, value + rng.normal(size=199) * (1 - value**2) / np.sqrt(count), count), 1 / 7
            )
            for _ in range(300)
        ]
    )
    assert found[:, 0].mean() == pytest.approx(true, rel=0.01)
    inside = np.mean((found[:, 1] <= true) & (true <= found[:, 2]))
    assert 0.90 < inside < 0.985  # 0.95 +- 0.013 over 300 trials, and a bias of up to half a sigma (0.92)


def test_what_is_left_beyond_the_crossing_moves_it_little():
    """Noise that halves share (0.12 of it) where the light no longer shows: within one error of the crossing."""
    value, count = curve(), 2 * np.pi * np.arange(1, 200)
    true = true_crossing(value, ONE_SEVENTH)
    spoilt = np.where(1.05 * true < FREQUENCY, np.maximum(value, 0.12), value)
    found, low, _ = crossing(Rings(FREQUENCY, spoilt, count), ONE_SEVENTH)
    assert abs(found - true) < (found - low) / 1.96
    assert found < 1.02 * true


def test_a_threshold_for_each_ring():
    value, count = curve(), 2 * np.pi * np.arange(1, 200)
    level = half_bit(count)
    found, low, high = crossing(Rings(FREQUENCY, value, count), level)
    assert np.interp(found, FREQUENCY, value) == pytest.approx(np.interp(found, FREQUENCY, level), abs=0.01)
    assert low < found < high


def test_no_more_than_two_thirds_of_the_finest_frequency():
    rings = Rings(FREQUENCY, curve(1.0, 1.0), np.full(199, 500.0))
    assert crossing(rings, ONE_SEVENTH) == pytest.approx((1 / 3,) * 3)
    assert crossing(rings, ONE_SEVENTH, finest=0.25)[0] == pytest.approx(1 / 6)


def test_a_curve_that_never_falls_ends_at_the_limit():
    rings = Rings(FREQUENCY, np.full(199, 0.9), np.full(199, 500.0))
    assert crossing(rings, ONE_SEVENTH)[0] == pytest.approx(1 / 3)


def test_noise_alone_and_too_few_rings():
    count = np.full(199, 500.0)
    assert np.isnan(crossing(Rings(FREQUENCY, np.zeros(199), count), ONE_SEVENTH)).all()
    few = slice(0, 5)
    assert 0 < crossing(Rings(FREQUENCY[few], np.array([0.9, 0.8, 0.1, 0.0, 0.0]), count[few]), 0.5)[0] < 0.01
    assert np.isnan(crossing(Rings(FREQUENCY, np.full(199, np.nan), count), ONE_SEVENTH)[0])


def test_rings_without_a_value_are_left_out():
    value = curve()
    full = crossing(Rings(FREQUENCY, value, np.full(199, 500.0)), ONE_SEVENTH)[0]
    value[::7] = np.nan
    assert crossing(Rings(FREQUENCY, value, np.full(199, 500.0)), ONE_SEVENTH)[0] == pytest.approx(
        full, rel=0.02
    )
