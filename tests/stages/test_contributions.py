"""Light and noise of lights and regions: worked by hand, and where planes have no sample."""

from dataclasses import replace

import numpy as np
import pytest

from fields import frame_table
from fourlight.core import regionsums as part
from fourlight.stages import contributions
from fourlight.stages.channel_shares import shares
from fourlight.stages.contributions import (
    believed,
    brought,
    certainty,
    light,
    ratios,
    scatter,
)
from fourlight.stages.reference_sky import beyond_photons
from fourlight.stages.regions import Regions
from ledgers import WHITE, ledger


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


SKIES = np.array([[100.0, 110, 110, 60], [100, 110, 110, 60], [180, 330, 330, 260], [160, 300, 300, 250]])
"""Electrons of a sample of R, G1, G2, B in two dark lights and two under the Moon, the last through haze."""


def skies():
    """What samples of those lights say of their sky, of photons alone; the first light is the reference."""
    haze = np.array([1.0, 1.0, 1.0, 0.6])[:, None] * np.ones(4)
    table = frame_table(np.array([np.eye(2, 3)] * 4), (64, 64), noise=np.sqrt(SKIES))
    table = replace(table, scale=haze, sky=(SKIES - haze * SKIES[0])[:, :, None])
    sums = np.zeros((4, 4, 1, part.PARTS))
    sums[..., 0, part.COUNT] = 1000
    sums[..., 0, part.VARIANCE] = 1000 * SKIES / haze**2
    found = Regions(
        ("sky",),
        np.ones((64, 64), np.uint16),
        np.array([4096]),
        np.append(SKIES[0], SKIES[0, 1])[None, :],
        False,
    )
    return contributions.ledger(sums, found, table)


def test_the_light_of_the_sky_is_what_all_lights_counted():
    """Not that of the reference, nor one in which bright skies count for less."""
    assert light(skies(), np.ones(4, bool))[:, 0] == pytest.approx(SKIES.mean(axis=0))
    told = shares(skies(), ["a"] * 4, WHITE)
    counted = SKIES.sum(axis=0) / SKIES.sum()
    assert [told["electrons"]["sky"][c].value for c in ("R", "G1", "G2", "B")] == pytest.approx(counted)


def test_what_lights_say_of_their_own_sky_adds_up():
    """Each the square of its sky over its variance, which of photons alone is that sky."""
    told = shares(skies(), ["a"] * 4, WHITE)["information"]["sky"]
    by_hand = (SKIES**2 / SKIES).sum(axis=0)
    assert [told[c].value for c in ("R", "G1", "G2", "B")] == pytest.approx(by_hand / by_hand.sum())


def of_lights(rng, off, photons, names=("object", "sky", "stars"), lights=24):
    """Ledger of lights whose sky is off in the first region by ``off`` (4,), beside photons that scatter by so much."""
    table = frame_table(np.array([np.eye(2, 3)] * lights), (64, 64), noise=np.ones((lights, 4)))
    count = 1000.0
    sums = np.zeros((lights, 4, len(names), part.PARTS))
    sums[..., part.COUNT] = count
    sums[..., part.VARIANCE] = count * count * photons**2
    away = rng.normal(0, photons, (lights, 4, len(names)))
    away[:, :, [0, 2]] += (np.asarray(off) * rng.standard_normal((lights, 4)))[:, :, None]
    sums[..., part.DEVIATION] = count * away
    labels, pixels = np.ones((64, 64), np.uint16), np.full(len(names), 1000)
    nothing = np.zeros((len(names), 4, 4))
    found = Regions(names, labels, pixels, np.full((len(names), 5), 50.0), False, {}, nothing)
    return contributions.ledger(sums, found, table)


def test_the_sky_of_the_reference_is_off_by_as_much_as_that_of_another_light():
    """Beyond what photons scatter by; stars, which differ by seeing, and the sky itself left alone."""
    rng, photons = np.random.default_rng(3), 0.7
    found = np.array([of_lights(rng, np.full(4, 1.5), photons).shared for _ in range(40)])
    # 40 x 24 lights x 4 planes tell a variance to 2.3 % (chi-square), of 1.5^2 + 2 x 0.7^2
    assert np.diagonal(found[:, 0].mean(axis=0)) == pytest.approx(np.full(4, 1.5**2), rel=0.15)
    assert np.abs(found[:, 0, 0, 1].mean()) < 0.1 * 1.5**2, "each plane by itself"
    assert not found[:, 1:].any()
    alone = np.array([of_lights(rng, np.zeros(4), photons).shared[0] for _ in range(40)])
    assert np.trace(alone.mean(axis=0)) / 4 < 0.2 * 2 * photons**2, "what photons alone leave"


def test_what_planes_are_off_alike_is_told_as_that():
    rng = np.random.default_rng(5)
    found = np.array(
        [
            beyond_photons(3 * rng.standard_normal((24, 1)) + rng.normal(size=(24, 4)), np.ones((24, 4)))
            for _ in range(40)
        ]
    )
    mean = found.mean(axis=0)
    assert mean == pytest.approx(np.full((4, 4), 9.0), rel=0.2)


def test_where_nothing_is_known_of_the_sky_no_light_is_off_alike():
    found = of_lights(np.random.default_rng(4), np.ones(4), 0.7, names=("object", "own", "stars"))
    assert not found.shared.any(), "without a sky nothing tells it"
