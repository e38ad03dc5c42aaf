"""The mosaic by star colours: any pattern taken for any other, and stars that cannot tell."""

import numpy as np
import pytest

from fourlight.core.cfa import PATTERNS, PLANES, plane_map
from fourlight.stages.star_fluxes import StarFluxes
from fourlight.stages.star_phase import star_phase

TRUE_SLOPE = np.array([-0.45, 0.0, 0.0, 0.6])
"""Magnitudes of R, G1, G2, B less V over B-V, as usual cameras have them."""


def seen(true, used, count=60, scatter=0.05, spread=0.5, seed=3):
    """Stars in planes that were taken from a mosaic by another pattern than it has."""
    random = np.random.default_rng(seed)
    b_v = 0.6 + spread * random.standard_normal(count)
    cells_true, cells_used = plane_map(true).ravel(), plane_map(used).ravel()
    flux = np.zeros((count, 4))
    for place in range(4):
        magnitude = 9 + TRUE_SLOPE[cells_true[place]] * b_v + scatter * random.standard_normal(count)
        flux[:, cells_used[place]] = 10 ** (-0.4 * (magnitude - 20))
    ones, yes = np.ones(count), np.ones(count, dtype=bool)
    return StarFluxes(
        PLANES,
        ones,
        ones,
        flux,
        0.01 * flux,
        np.zeros((4, 4)),
        9 * ones,
        ones,
        b_v,
        ones,
        yes.astype(int),
        ~yes,
        yes,
    )


@pytest.mark.parametrize("true", PATTERNS)
@pytest.mark.parametrize("used", PATTERNS)
def test_any_pattern_is_told(true, used):
    found = star_phase(seen(true, used), used)
    assert found.pattern == true
    assert found.sigma > 10
    assert (found.correlation > 0.9) == (true == used)


def test_exchanged_red_and_blue_turn_the_sign():
    """Correlation of red over blue with B-V: README of the real pair has +0.81 and -0.73 for the two."""
    right, wrong = (star_phase(seen("GBRG", used), used).correlation for used in ("GBRG", "GRBG"))
    assert right > 0.9
    assert wrong == pytest.approx(-right, abs=0.02)


def test_stars_of_one_colour_cannot_tell():
    assert star_phase(seen("RGGB", "RGGB", spread=0.0, seed=4), "RGGB").pattern is None


def test_few_stars_cannot_tell():
    found = star_phase(seen("RGGB", "RGGB", count=7), "RGGB")
    assert (found.pattern, found.stars) == (None, 7)


def test_false_alarms_are_rare():
    """Colours that follow nothing: 4 sigma is passed by one in 16,000; here by none of 300."""
    random, told = np.random.default_rng(5), 0
    for seed in range(300):
        some = seen("RGGB", "RGGB", count=30, scatter=0.3, seed=seed)
        shuffled = some.chosen(np.arange(30))
        random.shuffle(shuffled.b_v)
        told += star_phase(shuffled, "RGGB").pattern is not None
    assert told == 0
