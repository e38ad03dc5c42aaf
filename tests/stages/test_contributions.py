"""Light and noise of lights and regions: worked by hand, and where planes have no sample."""

from dataclasses import replace

import numpy as np
import pytest

from fourlight.stages.contributions import believed, brought, certainty, light, ratios, scatter
from ledgers import ledger


def test_ratios_of_light():
    found = ratios(ledger([30, 50, 40, 9], [60, 60, 60, 60]), ["a"] * 6)["object"]
    assert found["R_over_G"].value == pytest.approx(30 / 45)
    assert found["B_over_G"].value == pytest.approx(9 / 45)
    assert found["G1_over_G2"].value == pytest.approx(50 / 40)
    assert np.isnan(ratios(ledger([30, -50, 40, 9], [60] * 4), ["a"] * 6)["object"]["R_over_G"].value)


def test_noise_that_neighbours_show_takes_the_place_of_the_model():
    """A region of few samples takes over what all show; of many, what it shows itself."""
    found = ledger([50] * 4, [60] * 4)
    found.even[..., 0], found.even[..., 2] = 1.2, 1e9
    assert believed(found) == pytest.approx(np.full((4, 1), 1.2))
    few = replace(found, even=np.concatenate([found.even, found.even * [2e-9, 1e-9, 1e-9]], axis=2))
    assert believed(few)[:, 1] == pytest.approx(believed(few)[:, 0], rel=0.05)
    assert believed(few)[:, 0] == pytest.approx(np.full(4, 1.2), rel=0.05)


def test_a_plane_without_samples_has_neither_light_nor_noise():
    found = ledger([50] * 4, [60] * 4)
    found.away[:, 3], found.weight[:, 3], found.variance[:, 3], found.even[:, 3] = np.nan, 0, np.nan, 0
    every = np.ones(6, bool)
    assert np.isnan(light(found, every)[:, 0]).tolist() == [False] * 3 + [True]
    assert np.isnan(believed(found)[:, 0]).tolist() == [False] * 3 + [True]
    assert certainty(found, every)[:, 0] == pytest.approx([0.25 * 6 / 60] * 3 + [0])
    assert not brought(found).any()


def test_noise_is_that_of_the_model_where_no_neighbours_tell_it():
    found = ledger([50] * 4, [60] * 4)
    found.even[:, 0] = 0
    assert np.isnan(believed(found)[0, 0])
    assert certainty(found, np.ones(6, bool))[0, 0] == pytest.approx(0.25 * 6 / 60)


def test_lights_bring_what_they_weigh():
    found = ledger([50] * 4, [60] * 4, 4)
    found.weight[0] *= 3
    found.away[3, 1] = np.nan
    assert brought(found)[:3, 0] == pytest.approx(np.array([3, 1, 1]) * (3 / 6 + 1 / 5) / 4)
    assert brought(found)[3, 0] == 0


def test_scatter_is_the_error_of_the_mean_inside_of_nights():
    """Of two nights of three lights: a fourth of the sum of both squared standard errors, by numpy."""
    rng = np.random.default_rng(1)
    away = rng.normal(size=(6, 4)) + np.repeat([0.0, 9.0], 3)[:, None]
    found = scatter(ledger([50] * 4, [60] * 4, 6, away), ["a"] * 3 + ["b"] * 3)[:, 0]
    by_hand = (away[:3].var(axis=0, ddof=1) / 3 + away[3:].var(axis=0, ddof=1) / 3) / 4
    assert found == pytest.approx(by_hand)
