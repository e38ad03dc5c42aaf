"""How much of a normal distribution is cut off, against scipy's fit of censored samples."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from fourlight.core.cutoff import cut_share


def rounded(level: float, noise: float, seed: int = 1, count: int = 40000) -> np.ndarray:
    return np.rint(np.random.default_rng(seed).normal(level, noise, count))


@pytest.mark.parametrize("level", [-2.0, 0.0, 3.0, 6.0])
def test_the_share_is_that_of_a_normal_distribution_fitted_to_censored_samples(level: float) -> None:
    """scipy.stats.CensoredData: what lies at 0 is known to be 0.5 or less; rounding widens 4 ADU by 0.3 %."""
    values = np.maximum(rounded(level, 4.0), 0.0)
    seen = values[values > 0]
    fitted = stats.norm.fit(stats.CensoredData(uncensored=seen, left=np.full(len(values) - len(seen), 0.5)))
    assert cut_share(values, 1.0) == pytest.approx(stats.norm.cdf(-0.5, *fitted), abs=0.015)
    assert cut_share(4 * values, 4.0) == cut_share(values, 1.0)


@pytest.mark.parametrize("noise", [0.2, 0.3, 0.5, 0.75, 1.0, 4.0, 30.0])
@pytest.mark.parametrize("level", [500.0, 500.2, 500.5])
def test_samples_that_nothing_cuts_off_are_whole(noise: float, level: float) -> None:
    """With hot samples too, and at a scatter that rounding rules."""
    values = rounded(level, noise)
    values[:80] += np.random.default_rng(2).exponential(300.0, 80).round()
    assert cut_share(values, 1.0) < 1e-3


def test_other_distributions_are_not_taken_for_cut_off_ones() -> None:
    """Halves of a frame at levels of their own, and levels that differ to one side."""
    rng = np.random.default_rng(3)
    assert cut_share(np.concatenate([rounded(500.0, 1.0), rounded(510.0, 3.0)]), 1.0) < 1e-3
    assert cut_share(np.concatenate([rounded(500.0, 3.0), rounded(510.0, 1.0)]), 1.0) < 1e-3
    assert cut_share(rounded(500.0, 2.0) + rng.exponential(5.0, 40000).round(), 1.0) < 1e-3


def test_next_to_nothing_above_zero_is_cut_off() -> None:
    assert cut_share(np.maximum(rounded(-1.0, 0.4), 0.0), 1.0) > 0.9
    assert cut_share(np.zeros(100), 1.0) == 1.0
    assert cut_share(np.full(100, 512.0), 1.0) == 0.0
    assert cut_share(np.full(100, np.nan), 1.0) == 0.0
