"""Numbers that are told of lines: signs, sums, and agreement with each other."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fourlight.core.unmix import gain_of
from fourlight.sensor.mixing import Ratios
from fourlight.stages import line_facts
from fourlight.stages.line_kinds import LightSet, choose_kinds, dust_change
from line_stacks import dual

NOISE = np.array([9.0, 4.0, 5.0])


@pytest.fixture(scope="module")
def telling():
    return choose_kinds([LightSet(dual(), NOISE)])


def test_leaks_are_those_of_wrong_matrices(telling):
    """Photons that are told when the camera is another one, over 3000 of them."""
    rng = np.random.default_rng(2)
    z = rng.standard_normal((3000, len(telling.modes)))
    true = telling.matrix + np.tensordot(z, telling.modes, axes=1)
    told = gain_of(telling.matrix, NOISE) @ true
    found = line_facts.leak_facts(telling, NOISE)
    assert told[:, 1, 0].std() == pytest.approx(found["oiii"]["halpha"], rel=0.05)
    assert told[:, 0, 1].std() == pytest.approx(found["halpha"]["oiii"], rel=0.05)


def test_electrons_of_a_line_do_not_hang_on_what_all_its_channels_share(telling):
    """More [NII] is more electrons of Hα in every channel alike: its photons are off, its electrons are not."""
    mode = np.zeros((1, *telling.matrix.shape))
    mode[0, :, 0] = 0.15 * telling.matrix[:, 0]
    one = replace(telling, modes=mode)
    assert line_facts.leak_facts(one, NOISE)["halpha"]["halpha"] == pytest.approx(0.0, abs=1e-12)
    assert line_facts.photon_error(one, NOISE, "halpha") == pytest.approx(0.15)


def test_shares_sum_to_one_and_lie_in_their_intervals(telling):
    found = line_facts.share_facts(telling, NOISE)
    for shares in found["information"].values():
        assert sum(each["value"] for each in shares.values()) == pytest.approx(1.0)
        assert all(each["low"] <= each["value"] <= each["high"] for each in shares.values())
    left = found["without_green"]["oiii"]
    assert left["low"] < left["value"] < left["high"] < 0.6, "own prototype, other curves: 0.48"
    assert found["without_green"]["halpha"]["value"] > 0.95


def test_other_recipes_stand_beside_ours(telling):
    naive, blue, eight = line_facts.recipe_facts(telling, NOISE, 300.0)
    assert naive["leak"]["oiii"]["halpha"]["value"] == pytest.approx(0.2, abs=0.02), "own prototype: 20 %"
    assert blue["noise"]["oiii"] > 1.8, "blue alone has less than half of green's signal over noise"
    assert eight["leak"]["oiii"]["halpha"]["value"] == pytest.approx(0.0, abs=1e-9)
    step = 300.0 / 255
    gain = gain_of(telling.matrix, NOISE)[1]
    by_hand = np.sqrt((gain**2 * (NOISE + step**2 / 12)).sum() / (gain**2 * NOISE).sum())
    assert eight["noise"]["oiii"] == pytest.approx(by_hand)


def test_noise_is_that_of_the_matrix(telling):
    inverse = np.linalg.inv((telling.matrix / NOISE[:, None]).T @ telling.matrix)
    found = line_facts.noise_of_kinds(telling, NOISE)
    assert found["oiii"] == pytest.approx(telling.units[1] * np.sqrt(inverse[1, 1]))
    sky = line_facts.sky_errors(telling, NOISE, np.sqrt(NOISE))
    assert sky["oiii"] == pytest.approx(found["oiii"])


def test_correlation_is_that_of_the_planes_or_not_known(telling):
    same = {"R": 0.9, "G": 0.9, "B": 0.9}
    assert line_facts.correlation(telling, "oiii", same) == pytest.approx(0.9)
    assert line_facts.correlation(telling, "oiii", None) is None
    assert line_facts.correlation(telling, "oiii", {"R": 0.9, "G": None, "B": 0.9}) is None
    two = [LightSet(dual(), NOISE), LightSet(dual(name="uv-ir-cut"), NOISE)]
    assert line_facts.correlation(choose_kinds(two), "oiii", same) is None


def test_one_line_has_recipes_and_no_leak():
    one = choose_kinds([LightSet(dual(name="halpha-7nm"), NOISE)])
    found = line_facts.recipe_facts(one, NOISE, 100.0)
    assert found[0]["leak"] == {"halpha": {}}
    assert found[0]["noise"]["halpha"] >= 1.0


def test_lines_of_two_filters_are_told_each_by_the_channels_that_see_it():
    two = choose_kinds([LightSet(dual(), NOISE), LightSet(dual(name="dual-sii-7nm"), NOISE, 0.8, 0.01)])
    noise = np.concatenate([NOISE, NOISE])
    found = line_facts.share_facts(two, noise)
    assert found["information"]["sii"]["R"]["value"] > 0.7
    assert found["information"]["oiii"]["G"]["value"] > 0.7
    leak = line_facts.leak_facts(two, noise)
    assert 0 < leak["oiii"]["sii"] < 0.1
    assert {name for each in line_facts.recipe_facts(two, noise, 100.0) for name in each["noise"]} == {
        "halpha",
        "oiii",
    }
    assert all(value > 0 for value in line_facts.noise_of_kinds(two, noise).values())


def test_dust_is_what_lines_are_told_wrong_by_when_it_is_there():
    """Light of a nebula behind dust, told by the matrix without it, as far as it is linear."""
    sets, columns = [LightSet(dual(name="tri-band"), NOISE)], ("halpha", "oiii")
    ratios = Ratios()
    told = choose_kinds(sets, ratios)
    found = line_facts.dust_facts(told, NOISE, dust_change(sets, columns, ratios))
    behind = choose_kinds(sets, replace(ratios, reddening_mag=0.5))
    photons = np.array([1.0, 0.0])
    wrong = gain_of(told.matrix, NOISE) @ (behind.matrix @ photons)
    assert found is not None
    assert found["leak"]["oiii"] == pytest.approx(wrong[1], abs=1e-9)
    assert found["leak"]["oiii"] < -0.05
    # electrons told too many, over those that would come without dust, of which behind it there are 11 % less
    electrons = (wrong[0] * told.units[0] - behind.units[0]) / told.units[0]
    assert found["leak"]["halpha"] == pytest.approx(electrons, abs=1e-9)
    leak = line_facts.leak_facts(told, NOISE)["oiii"]["halpha"]
    without = line_facts.leak_facts(choose_kinds(sets, replace(ratios, reddening_sigma=0.0)), NOISE)["oiii"][
        "halpha"
    ]
    assert leak**2 - without**2 == pytest.approx(wrong[1] ** 2, rel=0.02), (
        "one standard deviation of the claim"
    )


def test_dust_is_not_told_where_it_is_named_or_not_felt():
    assert dust_change([LightSet(dual(), NOISE)], ("halpha", "oiii"), Ratios(reddening_mag=0.0)) is None
    narrow = [LightSet(dual(name="dual-3nm"), NOISE)]
    change = dust_change(narrow, ("halpha", "oiii"), Ratios())
    assert line_facts.dust_facts(choose_kinds(narrow), NOISE, change) is None
    assert line_facts.dust_facts(choose_kinds(narrow), NOISE, None) is None
