"""Statistics of claims against worked examples, scipy, and simulated series whose truth is known."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from fourlight.core.trials import Trial, discoveries, doubted, jackknife, needed, trial_of


def test_the_classic_example_of_many_claims() -> None:
    """Benjamini & Hochberg 1995 section 3.2: of 15 p-values four hold at 0.05 (Bonferroni: three)."""
    p = [
        0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719, 0.6528,
        0.7590, 1.0,
    ]  # fmt: skip
    assert discoveries(p).tolist() == [True] * 4 + [False] * 11
    mixed = np.random.default_rng(1).permutation(p)
    assert (discoveries(mixed) == (stats.false_discovery_control(mixed) <= 0.05)).all()
    assert (discoveries([*p, np.nan])[:-1] == discoveries(p)).all()
    assert discoveries([]).size == 0


def test_intervals_of_nights_hold_what_they_promise() -> None:
    """Three nights, each with an offset of its own, many frames each: frames as samples would promise far too much."""
    rng = np.random.default_rng(4)
    inside = 0
    for _ in range(1000):
        nights = rng.normal(0, 1, 3)[:, None] + rng.normal(0, 1, (3, 20))
        without = [np.delete(nights, k, axis=0).mean() for k in range(3)]
        found = jackknife(float(nights.mean()), without)
        inside += found.low <= 0 <= found.high
    assert 0.931 <= inside / 1000 <= 0.967  # 99 per cent of 1,000 trials at 0.95 (binomial)


def test_what_cannot_be_told() -> None:
    for found in (trial_of(1.0, np.inf, 3.0), trial_of(np.nan, 1.0, 3.0), jackknife(1.0, [1.0, 2.0])):
        assert np.isnan(found.p)
        assert (found.low, found.high) == (-np.inf, np.inf)
    equal = trial_of(2.0, 0.0, 3.0)
    assert (equal.low, equal.high, equal.p) == (2.0, 2.0, 0.0)
    assert trial_of(0.0, 0.0, 2.0).p == 1.0
    assert needed(trial_of(1.0, np.inf, 0.0), 0.1, 1) == 0


@pytest.mark.parametrize(
    ("error", "have", "lost", "effect"),
    [(0.2, 10, 1, 0.3), (0.5, 3, 1, 1.0), (1.0, 31, 1, 0.4), (0.6, 12, 8, 1.5)],
)
def test_the_number_needed_has_the_power_of_the_noncentral_t(
    error: float, have: int, lost: int, effect: float
) -> None:
    """Four fifths by scipy's noncentral t to a hundredth, and not with one in ten fewer."""
    number = needed(Trial(0.0, -1, 1, 0.5, error, have - lost), effect, have)

    def power(n: int) -> float:
        away = effect / (error * np.sqrt(have / n))
        return float(stats.nct.sf(stats.t.ppf(0.975, n - lost), n - lost, away))

    assert power(number) >= 0.79
    assert power(number - 1 - number // 10) < 0.8


def test_as_many_as_are_said_to_be_needed_tell_it() -> None:
    """Four fifths of the time, by scipy's t test: 1,000 trials scatter by 0.013."""
    rng = np.random.default_rng(5)
    seen = Trial(0.0, -1, 1, 0.5, 1 / np.sqrt(10), 9)
    number = needed(seen, 0.5, 10)
    told = np.mean([stats.ttest_1samp(rng.normal(0.5, 1, number), 0.0).pvalue < 0.05 for _ in range(1000)])
    assert told == pytest.approx(0.8, abs=0.045)


def test_a_doubt_widens_the_interval_of_few_and_bounds_that_of_many() -> None:
    rng = np.random.default_rng(8)
    values = rng.normal(0.0, 1.0, 12)
    found = trial_of(float(values.mean()), float(values.std(ddof=1) / np.sqrt(12)), 11.0)
    same, wide = doubted(found, 0.0), doubted(found, 0.5)
    assert (same.error, same.low, same.p) == pytest.approx((found.error, found.low, found.p))
    assert wide.low < found.low < found.high < wide.high
    sure = doubted(Trial(0.004, 0.0039, 0.0041, 0.0, 1e-5, 300.0), 0.001)
    assert sure.high - sure.value == pytest.approx(stats.t.ppf(0.975, 300) * 0.001, rel=1e-3)
    assert np.isnan(doubted(jackknife(1.0, [1.0, 2.0]), 0.1).p)


def test_unequal_parts_count_by_their_square():
    """Of a mean of 6, 3 and 1 lights: the scatter of the three means, times the root of 0.36 + 0.09 + 0.01."""
    nights, share = np.array([3.0, 5.0, 10.0]), np.array([0.6, 0.3, 0.1])
    whole = float(nights @ share)
    without = (whole - share * nights) / (1 - share)
    found = jackknife(whole, without, share=share)
    assert found.error == pytest.approx(np.std(nights, ddof=1) * np.sqrt(0.46))
    assert found.freedom == 2
    wider = jackknife(whole, without, share=share, rest=[0.2])
    assert wider.error == pytest.approx(np.std(nights, ddof=1) * np.sqrt(0.50))
