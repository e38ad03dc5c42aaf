"""Estimates against scipy and the jackknife, and what their errors are when several are possible."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from fourlight.core.estimates import (
    NOTHING,
    Estimate,
    difference_of_nights,
    mean_of_nights,
    mean_of_pairs,
    pseudo_values,
)
from fourlight.core.trials import jackknife

RNG = np.random.default_rng(6)
NIGHTS = RNG.normal(0.3, 1, 5)


def test_nights_are_judged_as_by_students_t() -> None:
    found, known = mean_of_nights(NIGHTS).trial(0.0), stats.ttest_1samp(NIGHTS, 0.0)
    low, high = known.confidence_interval(0.95)
    assert (found.low, found.high) == pytest.approx((low, high))
    assert found.p == pytest.approx(known.pvalue)
    again = jackknife(float(NIGHTS.mean()), [np.delete(NIGHTS, k).mean() for k in range(5)])
    assert (found.low, found.high, found.p) == pytest.approx((again.low, again.high, again.p))


def test_pairs_are_judged_as_by_the_paired_t() -> None:
    a, b = RNG.normal(size=20), RNG.normal(size=20)
    assert mean_of_pairs(a - b).p(0.0) == pytest.approx(stats.ttest_rel(a, b).pvalue)


@pytest.mark.parametrize("k", [2, 3, 7])
def test_two_groups_of_nights_are_judged_as_by_scipy(k: int) -> None:
    a, b = RNG.normal(size=k), RNG.normal(1, 1, 4)
    found, known = difference_of_nights(a, b), stats.ttest_ind(a, b)
    assert found.value == pytest.approx(a.mean() - b.mean())
    assert found.p(0.0) == pytest.approx(known.pvalue)
    assert found.value - found.reach() == pytest.approx(known.confidence_interval(0.95)[0])


def test_the_jackknife_of_a_ratio_is_that_of_efron_and_tibshirani() -> None:
    """The patch data of Efron & Tibshirani 1993, section 10.3 (data and results from memory).

    Mean of (new - old) over mean of (old - placebo): -0.0713, jackknife bias 0.0080, standard error 0.1055.
    """
    old_less_placebo = np.array([8406, 2342, 8187, 8459, 4795, 3516, 4796, 10238], dtype=float)
    new_less_old = np.array([-1200, 2601, -2705, 1982, -1290, 351, -638, -2719], dtype=float)

    def ratio(kept: np.ndarray) -> float:
        return float(new_less_old[kept].sum() / old_less_placebo[kept].sum())

    values = pseudo_values(ratio, 8)
    whole = ratio(np.arange(8))
    assert whole == pytest.approx(-0.0713, abs=1e-4)
    assert whole - values.mean() == pytest.approx(0.0080, abs=1e-4)
    assert mean_of_nights(values).errors[0] == pytest.approx(0.1055, abs=1e-4)


def test_several_errors_give_the_mean_of_their_chances() -> None:
    mixed = Estimate(1.0, (0.2, 0.9), (0.7, 0.3), 9.0, 10)
    by_hand = 0.7 * 2 * stats.t.sf(5, 9) + 0.3 * 2 * stats.t.sf(1 / 0.9, 9)
    assert mixed.p(0.0) == pytest.approx(by_hand)
    reach = mixed.reach()
    assert mixed.p(1.0 - reach) == pytest.approx(0.05)
    assert mixed.p(1.0 + reach) == pytest.approx(0.05)
    single = [Estimate(1.0, (error,), (1.0,), 9.0, 10).reach() for error in (0.2, 0.9)]
    assert single[0] < reach < single[1]
    told = mixed.trial(0.0)
    assert told.error * stats.t.ppf(0.975, 9) == pytest.approx(reach)


@pytest.mark.parametrize("sure", [0, 1])
def test_an_error_that_has_all_the_probability_alone_tells_the_reach(sure: int) -> None:
    """As of a long night that drifts smoothly; rounding put both ends of the search on one side of the answer."""
    weights = (1.0 - sure, float(sure))
    for freedom in range(2, 201):
        reach = Estimate(1.0, (0.1, 0.2), weights, float(freedom), 10).reach()
        assert reach == pytest.approx((0.1, 0.2)[sure] * stats.t.ppf(0.975, freedom), rel=1e-9)


def test_errors_in_common_add_in_squares() -> None:
    assert mean_of_nights(NIGHTS).widened(3.0).errors[0] == pytest.approx(
        np.hypot(NIGHTS.std(ddof=1) / 5**0.5, 3.0)
    )


@pytest.mark.parametrize(
    "found", [NOTHING, mean_of_nights([1.0]), mean_of_nights([]), difference_of_nights([1, 2], [3])]
)
def test_what_cannot_be_told(found: Estimate) -> None:
    assert not found.told
    assert np.isnan(found.p(0.0))
    assert found.reach() == np.inf
    assert (found.trial(0.0).low, found.trial(0.0).high) == (-np.inf, np.inf)


def test_values_that_are_all_equal_leave_no_doubt() -> None:
    found = mean_of_nights([2.0, 2.0, 2.0])
    assert (found.p(2.0), found.p(1.0), found.reach()) == (1.0, 0.0, 0.0)


def test_intervals_of_skewed_values_hold_nearly_what_they_promise() -> None:
    """Mean of 20 exponential values, true expectation one, 2,000 trials: bootstraps hold 0.92 of 0.95.

    Efron & Tibshirani 1993 and scipy's percentile and BCa bootstraps (0.92 each, 400 trials): pseudo-values by
    Student's t are within 0.03 of that.
    """
    rng = np.random.default_rng(11)
    inside = 0
    for _ in range(2000):
        x = rng.exponential(size=20)
        found = mean_of_nights(x)
        inside += abs(found.value - 1.0) <= found.reach()
    assert inside / 2000 == pytest.approx(0.92, abs=0.03)
