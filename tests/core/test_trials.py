"""Statistics of claims against worked examples, scipy, and simulated series whose truth is known."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from fourlight.core.trials import Trial, discoveries, doubted, jackknife, mean_of_series, needed


def series(rng: np.random.Generator, n: int, r: float) -> np.ndarray:
    """A stationary first-order autoregression of variance one."""
    steps, values = rng.normal(size=n), np.empty(n)
    values[0] = steps[0]
    for k in range(1, n):
        values[k] = r * values[k - 1] + np.sqrt(1 - r * r) * steps[k]
    return values


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


def test_independent_values_are_judged_as_by_students_t() -> None:
    """Where neighbours tell nothing of each other, the error is scipy's, wider by the doubt about that."""
    rng = np.random.default_rng(2)
    values = rng.normal(0.2, 1, 400)
    found, known = mean_of_series(values), stats.ttest_1samp(values, 0.0)
    assert found.value == pytest.approx(values.mean())
    assert 1.0 <= found.error / (values.std(ddof=1) / 20) < 1.15
    assert known.pvalue <= found.p < 0.05


@pytest.mark.parametrize("r", [0.0, 0.5])
@pytest.mark.parametrize("n", [12, 40])
def test_chance_alone_is_rarely_taken_for_a_difference(r: float, n: int) -> None:
    """Nominal five per cent over 1,000 series; plain t at r = 0.5 is wrong in a quarter of them."""
    rng = np.random.default_rng(3)
    drawn = [series(rng, n, r) for _ in range(1000)]
    wrong = np.mean([mean_of_series(values).p < 0.05 for values in drawn])
    assert wrong <= 0.06
    if r:
        assert np.mean([stats.ttest_1samp(values, 0.0).pvalue < 0.05 for values in drawn]) > 0.2


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
    for found in (
        mean_of_series([]),
        mean_of_series([1.0]),
        mean_of_series([np.nan, 2.0]),
        jackknife(1.0, [1.0, 2.0]),
    ):
        assert np.isnan(found.p)
        assert (found.low, found.high) == (-np.inf, np.inf)
    equal = mean_of_series([2.0, 2.0, 2.0, 2.0])
    assert (equal.low, equal.high, equal.p) == (2.0, 2.0, 0.0)
    assert mean_of_series([0.0, 0.0, 0.0]).p == 1.0
    assert needed(mean_of_series([1.0]), 0.1, 1) == 0


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
    """Four fifths of the time, less what the doubt about neighbours costs."""
    rng = np.random.default_rng(5)
    seen = Trial(0.0, -1, 1, 0.5, 1 / np.sqrt(10), 9)
    number = needed(seen, 0.5, 10)
    told = np.mean([mean_of_series(rng.normal(0.5, 1, number)).p < 0.05 for _ in range(500)])
    assert told == pytest.approx(0.8, abs=0.15)


def test_a_doubt_widens_the_interval_of_few_and_bounds_that_of_many() -> None:
    rng = np.random.default_rng(8)
    found = mean_of_series(rng.normal(0.0, 1.0, 12))
    same, wide = doubted(found, 0.0), doubted(found, 0.5)
    assert (same.error, same.low, same.p) == pytest.approx((found.error, found.low, found.p))
    assert wide.low < found.low < found.high < wide.high
    sure = doubted(Trial(0.004, 0.0039, 0.0041, 0.0, 1e-5, 300.0), 0.001)
    assert sure.high - sure.value == pytest.approx(stats.t.ppf(0.975, 300) * 0.001, rel=1e-3)
    assert np.isnan(doubted(jackknife(1.0, [1.0, 2.0]), 0.1).p)
