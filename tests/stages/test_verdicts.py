"""Verdicts: by interval where a claim is alone, by all together where it is not."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from fourlight.core import correlated
from fourlight.core.estimates import NOTHING, Estimate
from fourlight.stages.verdicts import Bar, asked, out_of_reach, verdicts, would_need

MORE, LESS, EITHER = (Bar(0.0, size, way) for size, way in ((1.0, "more"), (-1.0, "less"), (1.0, "either")))
STRICT = Bar(1.0, 1.0, "less")


def one(value: float, error: float) -> Estimate:
    """Interval of about two errors to either side."""
    return Estimate(value, (error,), (1.0,), 60.0, 61)


@pytest.mark.parametrize(
    ("bar", "value", "error", "verdict"),
    [
        (MORE, 1.5, 0.5, "supported"),
        (MORE, 1.5, 0.8, "cannot tell"),  # the null is inside
        (MORE, 0.9, 0.2, "cannot tell"),  # an effect, but it may be too small
        (MORE, 0.5, 0.2, "contradicted"),  # an effect, surely too small
        (MORE, 0.0, 0.2, "contradicted"),
        (MORE, 0.0, 0.6, "cannot tell"),  # nothing found, nothing excluded
        (MORE, -3.0, 0.5, "contradicted"),  # the other way
        (LESS, -1.5, 0.5, "supported"),
        (LESS, 1.5, 0.5, "contradicted"),
        (LESS, -0.4, 0.2, "contradicted"),
        (EITHER, -1.5, 0.5, "supported"),
        (EITHER, 1.5, 0.5, "supported"),
        (EITHER, 0.1, 0.3, "contradicted"),
        (EITHER, 0.5, 0.3, "cannot tell"),
        (EITHER, -0.5, 0.3, "cannot tell"),
        (STRICT, 0.5, 0.2, "supported"),
        (STRICT, 0.9, 0.2, "cannot tell"),
        (STRICT, 1.5, 0.2, "contradicted"),
        (STRICT, 1.0, 0.0, "cannot tell"),
    ],
)
def test_a_single_claim_is_judged_by_its_interval(bar: Bar, value: float, error: float, verdict: str) -> None:
    found = one(value, error)
    assert verdicts([found], [bar]) == [verdict]
    low, high = value - found.reach(), value + found.reach()
    if verdict == "supported":
        assert not low <= bar.null <= high
    if verdict == "contradicted" and error:
        assert not low <= bar.matters <= high


def test_what_cannot_be_told_is_no_test() -> None:
    assert verdicts([NOTHING, one(1.5, 0.65), NOTHING], [MORE] * 3) == [
        "cannot tell",
        "supported",
        "cannot tell",
    ]


def test_among_many_claims_with_nothing_to_them_a_chance_find_does_not_hold() -> None:
    """p of 0.03 alone; nineteen others at p of 0.3 to 1."""
    chance = one(float(stats.t.isf(0.015, 60)), 1.0)
    others = [one(float(stats.t.isf(p / 2, 60)), 1.0) for p in np.linspace(0.3, 1.0, 19)]
    assert verdicts([chance], [Bar(0.0, 0.5, "more")]) == ["supported"]
    assert verdicts([chance, *others], [Bar(0.0, 0.5, "more")] * 20)[0] == "cannot tell"


def test_effects_the_other_way_are_no_finds() -> None:
    """Nineteen claims that are clearly wrong do not make a twentieth hold that alone would not among twenty."""
    chance = one(float(stats.t.isf(0.015, 60)), 1.0)
    assert verdicts([chance, *[one(-9.0, 1.0)] * 19], [Bar(0.0, 0.5, "more")] * 20)[0] == "cannot tell"


def test_among_many_effects_that_matter_one_that_seems_small_is_not_contradicted() -> None:
    """Effects of exactly what matters, one of them found smaller at p of 0.03 alone."""
    bar = Bar(0.0, 5.0, "more")
    small = one(5.0 - float(stats.t.isf(0.015, 60)), 1.0)
    others = [one(5.0 + float(stats.t.isf(p / 2, 60)), 1.0) for p in np.linspace(0.3, 1.0, 19)]
    assert verdicts([small], [bar]) == ["contradicted"]
    assert verdicts([small, *others], [bar] * 20) == ["cannot tell", *["supported"] * 19]


def test_few_of_the_verdicts_of_a_run_are_chance() -> None:
    """Half of twenty claims have nothing to them, half exactly what matters; of each kind of verdict one in twenty."""
    rng = np.random.default_rng(8)
    truth = np.repeat([0.0, 2.0], 10)
    wrong: dict[str, list[float]] = {"supported": [], "contradicted": []}
    for _ in range(400):
        found = [one(float(value), 1.0) for value in rng.normal(truth, 1.0)]
        said = np.array(verdicts(found, [Bar(0.0, 2.0, "more")] * 20))
        for verdict, faults in (("supported", truth == 0), ("contradicted", truth == 2)):
            wrong[verdict].append(float((faults & (said == verdict)).sum() / max((said == verdict).sum(), 1)))
    assert all(0 < np.mean(parts) <= 0.05 for parts in wrong.values())


@pytest.mark.parametrize("sure", [0, 5, 30])
def test_effects_that_are_sure_and_too_small_let_no_chance_pass(sure: int) -> None:
    """Ten claims with nothing to them beside sure effects of a third of what matters: nothing is supported by right.

    A run with one wrong "supported" in at most one of twenty, and two standard errors of 800 runs.
    """
    rng, bar, runs = np.random.default_rng(12), Bar(0.0, 0.5, "more"), 800
    small = [one(0.15, 0.01)] * sure
    wrong = 0
    for _ in range(runs):
        chance = [one(float(value), 1.0) for value in rng.normal(0.0, 1.0, 10)]
        wrong += "supported" in verdicts([*chance, *small], [bar] * (10 + sure))
    assert wrong / runs <= 0.05 + 2 * np.sqrt(0.05 * 0.95 / runs)


def test_nights_against_the_other_nights_are_supported_by_chance_in_few_runs() -> None:
    """Each of several equal nights against the mean of the others: such tests are negatively related to each other.

    No theorem covers them; of 2,000 runs one in twenty may hold a wrong "supported", and two standard errors.
    """
    rng, bar = np.random.default_rng(13), Bar(0.0, 0.5, "either")
    for nights in (3, 5, 10):
        level = rng.normal(size=(2000, nights))
        apart = (level - (level.sum(axis=1, keepdims=True) - level) / (nights - 1)) * np.sqrt(
            (nights - 1) / nights
        )
        wrong = np.mean(
            ["supported" in verdicts([one(float(x), 1.0) for x in run], [bar] * nights) for run in apart]
        )
        assert wrong <= 0.05 + 2 * np.sqrt(0.05 * 0.95 / 2000)


def test_the_p_that_is_asked_is_the_one_that_tells() -> None:
    """An estimate at that p is told among the others; one that is a hair less sure is not."""
    bar, others = Bar(0.0, 0.5, "more"), [one(9.0, 1.0)] * 2 + [one(0.6, 1.0)] * 17
    p = asked([one(2.0, 1.0), *others], [bar] * 20)[0]
    assert p == pytest.approx(0.05 * 3 / 20)
    for factor, verdict in ((0.999, "supported"), (1.001, "cannot tell")):
        at = one(float(stats.t.isf(factor * p / 2, 60)), 1.0)
        assert verdicts([at, *others], [bar] * 20)[0] == verdict


def test_what_is_needed_is_what_the_other_claims_leave() -> None:
    """p of 0.004 is told alone, and among thirty asks for more than the lights seen; never for less."""
    found = Estimate(float(stats.t.isf(0.002, 60)), (1.0,), (1.0,), 60.0, 61)
    bar = Bar(0.0, 0.5, "more")
    assert would_need(found, bar) is None
    number = would_need(found, bar, 0.05 / 30)
    assert number is not None
    rng, spread, told = np.random.default_rng(14), np.sqrt(61), []
    for _ in range(400):
        y = rng.normal(found.value, spread, number)
        told.append(stats.ttest_1samp(y, 0.0).pvalue < 0.05 / 30)
    assert np.mean(told) == pytest.approx(0.8, abs=0.07)


def test_no_number_is_promised_for_an_effect_at_the_very_bar() -> None:
    """Sure to be there, a hair smaller than what matters: lights like these never tell on which side it is."""
    assert would_need(one(0.999, 0.05), MORE) is None


@pytest.mark.parametrize("value", [1.4, 0.1])
def test_as_many_as_are_needed_tell(value: float) -> None:
    """An effect as seen, drawn anew with that many lights, is told four times of five."""
    few = Estimate(value, (0.9,), (1.0,), 11.0, 12)
    number = would_need(few, MORE)
    assert number is not None
    assert number > 12
    rng, spread = np.random.default_rng(9), 0.9 * np.sqrt(12)
    told = 0
    for _ in range(300):
        y = rng.normal(value, spread, number)
        found = Estimate(
            float(y.mean()), (float(y.std(ddof=1) / np.sqrt(number)),), (1.0,), number - 1.0, number
        )
        told += verdicts([found], [MORE]) != ["cannot tell"]
    assert told / 300 >= 0.74


def test_an_effect_as_large_as_matters_to_a_hair_needs_no_endless_number() -> None:
    """It is itself uncertain: a hair from the bar counts as half-way between bar and null."""
    error, n = 0.45, 12
    number = would_need(Estimate(0.999, (error,), (1.0,), n - 1.0, n), MORE)
    assert number == would_need(Estimate(0.5, (error,), (1.0,), n - 1.0, n), MORE)


def test_no_number_is_promised_that_is_out_of_reach() -> None:
    assert would_need(Estimate(0.0, (30.0,), (1.0,), 11.0, 12), MORE) is None
    assert would_need(NOTHING, MORE) is None
    assert would_need(Estimate(1.0, (0.1,), (1.0,), 11.0, 12), STRICT) is None


def test_ten_times_as_many_are_the_reach() -> None:
    """By Student's t of many: (1.96 + 0.84)^2 of the variance of one over the square of the effect."""
    for times, near in ((9.0, True), (11.0, False)):
        error = 0.5 * np.sqrt(times) / (1.960 + 0.842)
        found = Estimate(0.5, (error,), (1.0,), 1e6, 1000)
        assert (would_need(found, MORE) is not None) is near
        assert out_of_reach(found, MORE) is not near
    assert not out_of_reach(NOTHING, MORE)
    assert not out_of_reach(Estimate(3.0, (0.1,), (1.0,), 11.0, 12), MORE)


def test_lights_as_many_as_are_asked_for_tell_it() -> None:
    """At least four fifths of the time, judged as lights are: by every degree of what neighbours have in common."""
    rng, bar, told = np.random.default_rng(77), Bar(0.0, 0.3, "more"), []
    while len(told) < 25:
        few = correlated.mean(rng.normal(0.3, 1, 24))
        number = would_need(few, bar) if few.p(0.0) > 0.05 else None
        if number is not None:
            told.append(
                np.mean([correlated.mean(rng.normal(0.3, 1, number)).p(0.0) < 0.05 for _ in range(12)])
            )
    assert np.mean(told) > 0.75, "300 trials at 0.8 scatter by 0.023"
