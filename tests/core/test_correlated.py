"""Series of which neighbours have something in common, against scipy where they have not, and against simulation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import linalg, stats

from fourlight.core import correlated
from fourlight.core.correlated import contrast, mean


def known(n: int, memory: float, share: float) -> np.ndarray:
    """Covariance of a first-order autoregression and white noise, of variance one together."""
    return (1 - share) * np.eye(n) + share * linalg.toeplitz(memory ** np.arange(n))


def drift(rng: np.random.Generator, n: int, memory: float, share: float) -> np.ndarray:
    """By a Cholesky factor, not by the recursion that is usual: a first-order autoregression and white noise."""
    return np.linalg.cholesky(known(n, memory, share)) @ rng.normal(size=n)


def test_known_correlation_is_that_of_generalised_least_squares(monkeypatch: pytest.MonkeyPatch) -> None:
    """One degree of correlation alone: error of the plain mean by the textbook, scatter from whitened residuals."""
    n, memory, share = 30, 0.75, 0.5
    grid = (((memory, share),), np.ones(1))
    correlated._kernels.cache_clear()
    monkeypatch.setattr(correlated, "_grid", lambda alone=0.0: grid)
    y = drift(np.random.default_rng(1), n, memory, share)
    covariance = (1 - share) * np.eye(n) + share * memory ** np.abs(
        np.subtract.outer(np.arange(n), np.arange(n))
    )
    ones = np.ones(n)
    best = ones @ np.linalg.solve(covariance, y) / (ones @ np.linalg.solve(covariance, ones))
    white = linalg.solve_triangular(np.linalg.cholesky(covariance), y - best, lower=True)
    variance = float(white @ white) / (n - 1) * covariance.sum() / n**2
    found = mean(y)
    correlated._kernels.cache_clear()
    assert found.value == pytest.approx(y.mean())
    assert found.errors[0] == pytest.approx(np.sqrt(variance))


def test_many_independent_values_are_judged_nearly_as_by_students_t() -> None:
    """The doubt about memory is all that is added; it fades with their number."""
    rng = np.random.default_rng(2)
    widths = []
    for _ in range(40):
        y = rng.normal(size=150)
        told = stats.ttest_1samp(y, 0.0).confidence_interval(0.95)
        widths.append(2 * mean(y).reach() / (told.high - told.low))
    assert 0.97 < np.median(widths) < 1.2


@pytest.mark.parametrize(
    ("memory", "share", "rate"),
    [(0.0, 1.0, 0.05), (0.6, 1.0, 0.05), (0.6, 0.5, 0.05), (0.9, 1.0, 0.06), (0.9, 0.5, 0.085)],
)
@pytest.mark.parametrize("n", [24, 60])
def test_chance_alone_is_rarely_taken_for_a_difference(
    n: int, memory: float, share: float, rate: float
) -> None:
    """Of a mean, and of a step half-way: two-sided at five per cent, and two standard errors of 600 series.

    A slow drift under scatter of the same size is wrong in up to 8.5 per cent (1,500 series), as docs/claims.md says;
    plain t in up to two thirds. Intervals are no wider for it than 3 times those of who knows the correlation.
    """
    rng = np.random.default_rng(n)
    step = np.column_stack([np.arange(n) < n // 2, np.arange(n) >= n // 2])
    weights = np.array([np.ones(n), step[:, 0] * 2.0 - 1]) / [[n], [n / 2]]
    error = np.sqrt(np.diag(weights @ known(n, memory, share) @ weights.T))
    wrong, reach = np.zeros(2), []
    for _ in range(600):
        y = drift(rng, n, memory, share)
        found = mean(y), contrast(y, step, [1, -1], np.zeros(n))
        wrong += [each.p(0.0) < 0.05 for each in found]
        reach.append([each.reach() for each in found])
    assert (np.median(reach, axis=0) < 3.0 * 1.96 * error).all()
    assert (wrong / 600 <= rate + 2 * np.sqrt(rate * (1 - rate) / 600)).all()


@pytest.mark.parametrize("memory", [0.0, 0.5])
@pytest.mark.parametrize("n", [12, 40])
def test_the_mean_of_few_lights_is_rarely_taken_for_a_difference(n: int, memory: float) -> None:
    """Nominal five per cent over 1,000 series; plain t at a memory of one half is wrong in a quarter of them."""
    rng = np.random.default_rng(3)
    drawn = [drift(rng, n, memory, 1.0) for _ in range(1000)]
    found = [mean(y) for y in drawn]
    assert np.mean([each.p(0.0) < 0.05 for each in found]) <= 0.06
    # of 12 independent values Student's t asks for 1.12 times as much as a known scatter, doubt about memory for 2.7
    assert np.median([each.reach() for each in found]) < 3.5 * 1.96 * np.sqrt(known(n, memory, 1.0).sum()) / n
    if memory:
        assert np.mean([stats.ttest_1samp(y, 0.0).pvalue < 0.05 for y in drawn]) > 0.2


def test_nights_have_nothing_in_common() -> None:
    """A level of each night's own is fitted: the error of their mean is that within nights."""
    rng = np.random.default_rng(3)
    nights = np.repeat([0, 1], 30)
    y = rng.normal(size=60) + 100 * nights
    own = contrast(y, np.eye(2)[nights], [0.5, 0.5], nights)
    assert own.value == pytest.approx(y.mean())
    assert own.reach() < 1.0
    one = contrast(y, np.ones((60, 1)), [1.0], np.zeros(60))
    assert one.reach() > 10


def test_columns_that_repeat_others_do_no_harm_and_what_is_not_determined_is_not_told() -> None:
    y, x = np.random.default_rng(4).normal(size=20), np.linspace(-1, 1, 20)
    plain = contrast(y, np.column_stack([np.ones(20), x]), [0, 1], np.zeros(20))
    doubled = contrast(y, np.column_stack([np.ones(20), x, np.ones(20)]), [0, 1, 0], np.zeros(20))
    assert plain.value == pytest.approx(stats.linregress(x, y).slope)
    assert (doubled.value, doubled.reach()) == pytest.approx((plain.value, plain.reach()))
    assert not contrast(y, np.column_stack([np.ones(20), np.ones(20)]), [1, -1], np.zeros(20)).told
    assert not contrast(y, np.zeros((20, 1)), [1], np.zeros(20)).told


def test_more_values_than_are_told_apart_give_the_same_mean() -> None:
    y = np.random.default_rng(5).normal(size=400)
    found = mean(y)
    assert found.number == 400
    assert found.value == pytest.approx(y.mean())
    assert found.reach() == pytest.approx(1.96 / 20, rel=0.15)


@pytest.mark.parametrize("short", [1, 2, 3, 6])
@pytest.mark.parametrize("long", [200, 1000])
def test_a_short_night_beside_a_long_one_leaves_the_finding(long: int, short: int) -> None:
    """Values of the short night count as single lights; intervals are as of lights known to be independent."""
    rng, night = np.random.default_rng(6), np.repeat([0, 1], [long, short])
    levels, widths = np.eye(2)[night], []
    for _ in range(15):
        y = rng.normal(size=long + short)
        found = contrast(y, levels, levels.mean(axis=0), night)
        apart = contrast(y, levels, [1.0, -1.0], night)
        assert found.number == long + short
        assert found.value == pytest.approx(y.mean())
        assert apart.value == pytest.approx(y[:long].mean() - y[long:].mean())
        widths.append([found.reach() * np.sqrt(long + short), apart.reach() / np.sqrt(1 / long + 1 / short)])
    assert np.median(widths, axis=0) == pytest.approx([1.96, 1.96], rel=0.25)


def test_means_of_uneven_numbers_of_lights_are_weighed_by_them() -> None:
    """Of independent values the variance of a sum is that of its values, however they were averaged.

    341 by threes and twos, 10 and 1 by themselves. Checked at the degree without memory, by hand.
    """
    rng, counts = np.random.default_rng(7), [341, 10, 1]
    night = np.repeat([0, 1, 2], counts)
    found = [contrast(rng.normal(size=352), np.ones((352, 1)), [1.0], night) for _ in range(200)]
    alone = np.array([each.errors[0] for each in found])
    assert np.mean(alone**2) == pytest.approx(1 / 352, rel=0.03)


@pytest.mark.parametrize("memory", [0.5, 0.9])
@pytest.mark.parametrize("counts", [(500, 3), (200, 1), (330,)])
def test_chance_in_long_nights_is_rarely_taken_for_a_difference(
    counts: tuple[int, ...], memory: float
) -> None:
    """Nominal five per cent, of a mean within nights; two standard errors of 200 series. Plain t is far beyond."""
    rng, night = np.random.default_rng(8), np.repeat(np.arange(len(counts)), counts)
    levels, parts = np.eye(len(counts))[night], [known(n, memory, 1.0) for n in counts]
    roots = [np.linalg.cholesky(part) for part in parts]
    error = np.sqrt(sum(part.sum() for part in parts)) / sum(counts)
    wrong, plain, reach = 0, 0, []
    for _ in range(200):
        y = np.concatenate([root @ rng.normal(size=len(root)) for root in roots])
        found = contrast(y, levels, levels.mean(axis=0), night)
        wrong += found.p(0.0) < 0.05
        reach.append(found.reach())
        plain += stats.ttest_1samp(y, 0.0).pvalue < 0.05
    assert np.median(reach) < 3.0 * 1.96 * error
    assert wrong / 200 <= 0.05 + 2 * np.sqrt(0.05 * 0.95 / 200)
    assert plain / 200 > 0.15


def test_what_averaging_would_mix_is_told_from_all_values() -> None:
    """Two kinds of light in turns, 400 of them: means of three hold both."""
    kind = np.arange(400) % 2
    y = np.random.default_rng(9).normal(size=400) + 5 * kind
    found = contrast(y, np.eye(2)[kind], [-1.0, 1.0], np.zeros(400))
    assert found.value == pytest.approx(y[kind == 1].mean() - y[kind == 0].mean())
    assert found.p(0.0) < 1e-6


def test_little_is_kept_of_long_nights() -> None:
    """No more than `KEPT` kernels, of 7 MB each."""
    correlated._kernels.cache_clear()
    for n in range(140, 160):
        mean(np.random.default_rng(n).normal(size=n))
    kept = correlated._kernels.cache_info()
    assert kept.currsize <= correlated.KEPT
    assert correlated.KEPT * sum(part.nbytes for part in correlated._kernels((1,) * 160, 1)) < 45e6


@pytest.mark.parametrize("n", [140, 320])
def test_a_long_night_that_drifts_smoothly_has_an_interval(n: int) -> None:
    """A sky that falls by a third, of 0.2 % scatter: all probability is on the strongest drift looked for."""
    hours = np.linspace(0.0, 1.0, n)
    for seed in range(4):
        y = np.log(1000 * (1 - 0.35 * hours)) + np.random.default_rng(seed).normal(0, 0.002, n)
        found = mean(y)
        assert 0 < found.reach() <= stats.t.ppf(0.975, found.freedom) * max(found.errors) * (1 + 1e-9)


def test_degenerate_series() -> None:
    assert not mean([]).told
    assert not mean([1.0]).told
    assert not mean([1.0, np.nan, 2.0]).told
    equal = mean([2.0] * 8)
    assert (equal.value, equal.reach()) == pytest.approx((2.0, 0.0))
    assert mean([0.0] * 8).p(0.0) == 1.0
