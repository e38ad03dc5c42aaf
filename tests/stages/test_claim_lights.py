"""Which lights a group means, and what is said where nothing tells."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from claim_series import columns, series
from fourlight.stages import treatments
from fourlight.stages.claim_lights import (
    Untold,
    covariate,
    group,
    interleaved,
    lights_of,
    nights_apart,
    patches_of,
)

NAN = np.full(12, np.nan)


def test_the_moon_tells_moonlit_from_dark() -> None:
    """Above the horizon and lit by a fifth; a thin crescent, or a bit more of it, is neither."""
    altitude = np.array([-30, 30, 30, 30, np.nan] + [-1] * 7, dtype=float)
    lit = np.array([0.9, 0.9, 0.1, 0.01, 0.9] + [np.nan] * 7)
    found = series(moon_altitude_deg=altitude, moon_lit=lit)
    assert group(found, "moonlit").tolist() == [False, True, False, False, False] + [False] * 7
    assert group(found, "dark").tolist() == [True, False, False, True, False] + [True] * 7


@pytest.mark.parametrize(
    ("changes", "name", "said"),
    [
        ({"moon_lit": NAN}, "moonlit", "where the Moon stood is not known"),
        ({}, "moonlit", "no light was taken with the Moon above the horizon"),
        ({"moon_altitude_deg": np.full(12, 40.0)}, "dark", "every light was taken under the Moon"),
        ({"temperature_c": NAN}, "warm", "the temperature of the sensor is not known"),
        (
            {"temperature_c": np.linspace(-10, -9.5, 12)},
            "cold",
            r"between -10.0 and -9.5 C: 3 C of difference",
        ),
        ({}, "worst", "what single lights bring was not measured"),
        ({}, "night 2031-01-01", "no light is of night 2031-01-01"),
    ],
)
def test_groups_that_nothing_tells(changes: dict, name: str, said: str) -> None:
    with pytest.raises(Untold, match=said):
        group(series(**changes), name)


def test_there_are_no_groups_of_no_lights() -> None:
    with pytest.raises(Untold, match="no lights"):
        group(series(0), "all lights")


def test_warm_and_cold_are_parted_half_way() -> None:
    found = series(temperature_c=np.array([20.0, 15, 11, 10, 9] + [5.0] * 6 + [np.nan]))
    assert np.flatnonzero(group(found, "warm")).tolist() == [0, 1]
    assert group(found, "cold").sum() == 9


def test_best_and_worst_are_chosen_by_all_colours_alike() -> None:
    """Blue brings little, but what it loses counts as much as what red loses."""
    red, blue = np.full(20, 100.0), np.ones(20)
    red[3], blue[4] = 50.0, 0.4
    found = series(20, values={"weight": columns(R=red, G=10.0, B=blue)})
    assert np.flatnonzero(group(found, "worst")).tolist() == [3, 4]
    assert np.flatnonzero(~group(found, "rest")).tolist() == [3, 4]
    assert group(found, "best").sum() == 10


@pytest.mark.parametrize("n", [10, 13, 14, 15, 22, 25, 33, 44])
def test_the_worst_tenth_is_one_and_the_same_for_lights_and_stacks(n: int) -> None:
    """Of a run the series holds the weights of the table; the stack is made without the lights that the group names."""
    density = np.exp(np.random.default_rng(n).normal(0, 0.4, (n, 4)))
    table = SimpleNamespace(density=density)
    weight = density / density.max()
    known = series(n, values={"weight": np.column_stack([weight, weight[:, 1] + weight[:, 2]])})
    worst = np.flatnonzero(group(known, "worst"))
    assert abs(worst.size - n / 10) <= 0.5
    assert sorted([*treatments._without_worst(table), *worst]) == list(range(n))


@pytest.mark.parametrize("n", [10, 12, 13, 14, 18, 25])
def test_half_of_the_lights_is_half(n: int) -> None:
    """To the one light that an odd number leaves over, as many of either half of the stack, which take turns."""
    half = treatments._half(SimpleNamespace(matrix=range(n)))
    assert len(half) == len(set(half)) == n // 2
    assert abs(sum(f % 2 for f in half) - len(half) / 2) <= 0.5


def test_planes_without_values_do_not_choose() -> None:
    """A filter that passes no blue."""
    red = np.where(np.arange(20) == 3, 0.1, 1.0)
    found = series(20, values={"information": columns(R=red, G=1.0)})
    assert np.flatnonzero(group(found, "worst")).tolist() == [
        0,
        3,
    ]  # a tenth is two; of all that are equal the first
    with pytest.raises(Untold, match="was not measured"):
        group(series(20, values={"information": columns(G1=np.ones(20))}), "best")


def test_nights_and_halves() -> None:
    found = series(12, 3)
    assert np.flatnonzero(group(found, "last night")).tolist() == [8, 9, 10, 11]
    assert np.flatnonzero(group(found, "night 2031-08-11")).tolist() == [4, 5, 6, 7]
    assert group(found, "half B").sum() == 6


def test_values_of_lights_add_over_planes_and_are_reckoned_by_the_hour() -> None:
    found = series(
        exposure_s=np.full(12, 900.0), values={"information": columns(R=np.ones(12), G=2.0, B=4.0)}
    )
    assert lights_of(found, "information", ["R", "G", "B"]).tolist() == [7.0] * 12
    assert lights_of(found, "information_per_hour", ["B"]).tolist() == [16.0] * 12
    with pytest.raises(Untold, match="noise of single lights was not measured"):
        lights_of(found, "noise", ["R"])
    with pytest.raises(Untold, match="information of single lights was not measured"):
        lights_of(found, "information", ["G1"])


def test_covariates_are_logarithms_where_they_are_factors() -> None:
    found = series(values={"sky": columns(R=np.full(12, np.e))})
    assert covariate(found, "sky", "R") == pytest.approx(np.ones(12))
    assert covariate(found, "time", "R")[1] == pytest.approx(200 / 3600)
    with pytest.raises(Untold, match="moon altitude of the lights is not known"):
        covariate(series(moon_altitude_deg=NAN), "moon altitude", "R")


def test_treatments_that_were_not_made_say_why() -> None:
    found = series(patches={"as run": {"noise": np.ones((9, 5))}}, absent={"no darks": "no darks were given"})
    assert patches_of(found, "as run", "noise", "B").tolist() == [1.0] * 9
    for treatment, quantity, said in (
        ("no darks", "noise", "no darks: no darks were given"),
        ("no flats", "noise", "no flats: it was not made"),
        ("as run", "signal", "signal of the object of as run was not measured"),
    ):
        with pytest.raises(Untold, match=said):
            patches_of(found, treatment, quantity, "B")


def test_pairs_are_neighbours_of_one_night() -> None:
    nights = np.array(["a"] * 5 + ["b"] * 5)
    first = np.arange(10) % 2 == 0
    assert interleaved(nights, first, ~first) == [(0, 1), (2, 3), (6, 5), (8, 7)]
    assert interleaved(nights, first & (np.arange(10) < 4), ~first & (np.arange(10) < 4)) == [(0, 1), (2, 3)]


def test_nights_of_few_lights_do_not_count() -> None:
    nights = np.array(["a"] * 5 + ["b"] * 2)
    assert nights_apart(nights, np.ones(7, bool), np.zeros(7, bool)).first == ("a",)
