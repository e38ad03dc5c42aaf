"""Light that is added: its distribution against scipy's, and what must not change."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from fourlight.core.added_light import by_chance, with_added_light

SHAPE = (300, 400)


def rng(seed: int = 3) -> np.random.Generator:
    return np.random.default_rng(seed)


def test_two_skies_together_are_one_brighter_sky() -> None:
    """Sums of Poisson numbers are Poisson numbers: chi-squared of the counts against scipy's distribution."""
    old = rng(1).poisson(6.0, SHAPE).astype(np.float32)
    new = with_added_light(old, np.full(SHAPE, 9.0), 1.0, 1.0, np.inf, rng(2))
    seen = np.bincount(new.astype(int).ravel(), minlength=60)[:60]
    expected = stats.poisson(15.0).pmf(np.arange(60)) * new.size
    use = expected > 20
    found = stats.chisquare(
        np.append(seen[use], seen[~use].sum()), np.append(expected[use], new.size - expected[use].sum())
    )
    assert found.pvalue > 0.001


@pytest.mark.parametrize(("gain", "mean", "step"), [(0.8, 400.0, 1.0), (6.0, 30.0, 1.0), (1.0, 200.0, 4.0)])
def test_mean_and_variance_are_those_of_photons_and_rounding(gain: float, mean: float, step: float) -> None:
    """A twelfth of a squared step for rounding (Bennett 1948); five sigma of the mean, 3 % of the variance."""
    old = np.full(SHAPE, 512.0, dtype=np.float32)
    chance = by_chance(mean, gain, step)
    more = with_added_light(old, np.full(SHAPE, mean), gain, step, np.inf, rng(), chance=chance) - 512.0
    variance = mean / gain**2 + step**2 / 12
    assert float(more.mean()) == pytest.approx(mean / gain, abs=5 * np.sqrt(variance / more.size))
    assert float(more.var()) == pytest.approx(variance, rel=0.03)
    assert np.array_equal(np.mod(more, step), np.zeros(SHAPE))


def test_little_light_is_not_rounded_away() -> None:
    """One electron in six steps of six: plain rounding would add nothing."""
    old = np.full(SHAPE, 512.0, dtype=np.float32)
    assert by_chance(1.0, 6.0, 1.0)
    more = with_added_light(old, np.full(SHAPE, 1.0), 6.0, 1.0, np.inf, rng(), chance=True) - 512.0
    assert float(more.mean()) == pytest.approx(1 / 6, abs=0.006)


def test_samples_of_no_light_full_ones_and_undefined_ones_stay() -> None:
    old = np.array([[500.0, 65535.0, 65000.0, np.nan, 70000.0]], dtype=np.float32)
    mean = np.array([[0.0, 1e4, 1e4, 1e4, 1e4]])
    new = with_added_light(old, mean, 1.0, 1.0, 65535.0, rng())
    assert np.array_equal(new, np.array([[500.0, 65535.0, 65535.0, np.nan, 70000.0]]), equal_nan=True)


def test_the_same_seed_gives_the_same_light() -> None:
    old = np.zeros(SHAPE, dtype=np.float32)
    one, two, other = (
        with_added_light(old, np.full(SHAPE, 50.0), 1.0, 1.0, np.inf, rng(k)) for k in (7, 7, 8)
    )
    assert np.array_equal(one, two)
    assert not np.array_equal(one, other)
