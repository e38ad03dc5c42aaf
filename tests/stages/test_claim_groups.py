"""Groups of lights: which comparison is made, and that nights, neighbours and haze are allowed for."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from claim_series import claim, columns, series
from fourlight.stages.claim_groups import of_groups
from fourlight.stages.claim_lights import Untold

RNG = np.random.default_rng(2)
MOON = {"of": "moonlit", "against": "dark", "quantity": "information_per_hour", "planes": ("R",), "matters": 0.8,
        "direction": "less"}  # fmt: skip


def brought(n: int, nights: int, logs: np.ndarray, **more: np.ndarray) -> object:
    values = {"information": columns(R=np.exp(logs)), **{name: columns(R=x) for name, x in more.items()}}
    return series(n, nights, values=values)


def test_groups_that_alternate_are_judged_by_neighbours() -> None:
    """A drift tenfold the effect: by groups as a whole nothing would be seen."""
    first = np.arange(40) % 2 == 0
    logs = np.linspace(0, 2, 40) + 0.1 * first + RNG.normal(0, 0.02, 40)
    found = of_groups(brought(40, 1, logs), claim(**MOON, at_equal=()), "R", first, ~first)
    assert (found.scope, found.counted, found.estimate.number) == ("these frames", "pairs", 20)
    assert found.estimate.value == pytest.approx(0.1, abs=0.06)
    assert found.estimate.p(0.0) < 0.05
    assert stats.ttest_ind(logs[first], logs[~first]).pvalue > 0.5


def test_stretches_of_a_drift_are_no_groups() -> None:
    """The first half of a night against the second, in 60 nights of nothing but a walk.

    Intervals are no wider for it than 3 times those of who knows the walk, as in tests/core/test_correlated.py.
    """
    first, rng, seen, reach = np.arange(24) < 12, np.random.default_rng(24), 0, []
    for _ in range(60):
        logs = 0.1 * np.cumsum(rng.normal(size=24))
        found = of_groups(brought(24, 1, logs), claim(**MOON), "R", first, ~first)
        assert (found.scope, found.counted) == ("these frames", "lights")
        seen += found.estimate.p(0.0) < 0.05
        reach.append(found.estimate.reach())
    # 5 % of 60 are 3; three sigma of a binomial number more are 8
    assert seen <= 8
    parts, steps = np.where(first, 1, -1) / 12, np.arange(1, 25)
    known = np.sqrt(parts @ (0.1**2 * np.minimum.outer(steps, steps)) @ parts)
    assert np.median(reach) < 3.0 * 1.96 * known


def test_three_nights_with_both_are_compared_within() -> None:
    night = np.repeat([0, 1, 2], 12)
    first = np.tile(np.arange(12) < 6, 3)
    step = np.array([0.1, 0.2, 0.3])
    logs = 5 * night + np.where(first, step[night], 0.0)
    found = of_groups(brought(36, 3, logs), claim(**MOON), "R", first, ~first)
    assert found.scope == "nights like these"
    assert found.estimate.p(0.0) == pytest.approx(stats.ttest_1samp(step, 0.0).pvalue)


def test_two_nights_of_either_kind_are_compared_as_nights() -> None:
    level = np.array([0.0, 0.3, 0.1, 0.5])
    night = np.repeat(np.arange(4), 10)
    first = np.isin(night, (1, 3))
    found = of_groups(brought(40, 4, level[night]), claim(**MOON), "R", first, ~first)
    assert found.scope == "nights like these"
    assert found.estimate.p(0.0) == pytest.approx(stats.ttest_ind([0.3, 0.5], [0.0, 0.1]).pvalue)


def test_two_nights_with_both_are_only_these_frames() -> None:
    first = np.tile(np.arange(10) < 5, 2)
    found = of_groups(brought(20, 2, RNG.normal(size=20)), claim(**MOON, least_lights=8), "R", first, ~first)
    assert found.scope == "these frames"


def test_certain_nights_stand_for_no_others() -> None:
    night = np.repeat(np.arange(4), 10)
    found = of_groups(
        brought(40, 4, RNG.normal(size=40)), claim(**MOON), "R", night < 2, night >= 2, fixed=True
    )
    assert found.scope == "these frames"


def test_information_is_compared_by_its_mean() -> None:
    """A cloud over one light of ten takes a tenth, not a factor of all."""
    logs = np.zeros(20)
    logs[0] = np.log(0.001)
    first = np.arange(20) < 10
    found = of_groups(brought(20, 1, logs), claim(**MOON), "R", first, ~first)
    assert np.exp(found.estimate.value) == pytest.approx(0.9, rel=0.01)


def test_haze_is_no_moon() -> None:
    """Moonlit lights through haze of twice the depth: at equal transparency they bring as much."""
    first = np.arange(40) < 20
    clear = np.exp(-0.2 * first + RNG.normal(0, 0.1, 40))
    given = brought(40, 1, 2 * np.log(clear) + RNG.normal(0, 0.01, 40), transparency=clear)
    assert np.exp(of_groups(given, claim(**MOON), "R", first, ~first).estimate.value) < 0.75
    equal = of_groups(given, claim(**MOON, at_equal=("transparency",)), "R", first, ~first).estimate
    assert equal.value == pytest.approx(0.0, abs=0.03)
    assert equal.reach() < 0.1


def test_nights_of_other_skies_are_allowed_for_only_where_groups_lie_in_them() -> None:
    """Scatter of 0.1 of each of two nights: 0.14 of their difference; nothing where both nights hold both."""
    logs = RNG.normal(0, 0.001, 40)
    apart, both = np.arange(40) < 20, np.tile(np.arange(20) < 10, 2)
    for first, expected in ((apart, 0.1 * np.sqrt(2)), (both, 0.0)):
        found = of_groups(brought(40, 2, logs), claim(**MOON, night_scatter=0.1), "R", first, ~first)
        assert min(found.estimate.errors) == pytest.approx(expected, abs=0.002)
        assert found.counted == ("nights" if expected else "lights")


def test_nights_that_alternate_outweigh_nights_that_do_not() -> None:
    """Two nights light by light in turns, and two short ones of one group: neighbours tell more than nights."""
    nights = tuple(["2031-08-10"] * 20 + ["2031-08-11"] * 20 + ["2031-08-12"] * 3 + ["2031-08-13"] * 3)
    first = (np.arange(46) % 2 == 0) & (np.arange(46) < 40)
    values = {"information": columns(R=np.exp(RNG.normal(size=46)))}
    given = replace(series(46, values=values), nights=nights)
    found = of_groups(given, claim(**MOON), "R", first, ~first)
    assert (found.scope, found.counted) == ("these frames", "pairs")


def test_what_nights_differ_in_adds_to_what_lights_leave_open() -> None:
    logs, first = RNG.normal(0, 0.3, 40), np.arange(40) < 20
    errors = [
        np.array(
            of_groups(
                brought(40, 2, logs), claim(**MOON, night_scatter=x), "R", first, ~first
            ).estimate.errors
        )
        for x in (0.0, 0.05)
    ]
    assert errors[1] ** 2 - errors[0] ** 2 == pytest.approx(np.full(errors[0].size, 2 * 0.05**2))


@pytest.mark.parametrize("compare", ["ratio", "difference"])
def test_effects_without_noise(compare: str) -> None:
    first = np.arange(20) < 10
    given = series(20, values={"noise": columns(B=np.where(first, 6.0, 5.0))})
    changes = {"of": "warm", "against": "cold", "quantity": "noise", "compare": compare, "matters": 1.5}
    found = of_groups(given, claim(**changes), "B", first, ~first)
    assert found.estimate.value == pytest.approx(np.log(1.2) if compare == "ratio" else 1.0)


@pytest.mark.parametrize(
    ("first", "changes", "said"),
    [
        (np.arange(20) < 3, {}, "3 moonlit lights found; at least 8"),
        (np.arange(20) < 10, {"least_nights": 2}, "1 nights of 3 lights or more found; at least 2"),
    ],
)
def test_what_is_too_little(first: np.ndarray, changes: dict, said: str) -> None:
    with pytest.raises(Untold, match=said):
        of_groups(brought(20, 1, np.zeros(20)), claim(**MOON, **changes), "R", first, ~first)


def test_a_mean_below_zero_has_no_ratio() -> None:
    first = np.arange(20) < 10
    given = series(20, values={"information": columns(R=np.where(first, -1.0, 1.0))})
    with pytest.raises(Untold, match="not above zero"):
        of_groups(given, claim(**MOON), "R", first, ~first)
