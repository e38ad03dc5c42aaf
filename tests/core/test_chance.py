"""Chances of coincidence against SciPy's distributions and trials."""

import numpy as np
import pytest
from scipy.stats import binom

from fourlight.core.chance import coincidence, log10_at_least, pairs_within


@pytest.mark.parametrize(("n", "p", "k"), [(10, 0.3, 4), (60, 0.02, 8), (200, 1e-3, 30), (40, 0.9, 40)])
def test_equal_chances_are_binomial(n, p, k):
    """scipy.stats.binom."""
    assert log10_at_least(k, np.full(n, p)) == pytest.approx(binom.logsf(k - 1, n, p) / np.log(10), rel=1e-6)


def test_unequal_chances_against_all_outcomes():
    chance = np.array([0.1, 0.6, 0.02, 0.3, 0.45])
    outcomes = (np.arange(32)[:, None] >> np.arange(5)) & 1
    weight = np.where(outcomes, chance, 1 - chance).prod(axis=1)
    for k in range(6):
        assert 10 ** log10_at_least(k, chance) == pytest.approx(weight[outcomes.sum(axis=1) >= k].sum())


def test_chances_beyond_the_range_of_numbers():
    """100 of 100 at 10^-5 each: 10^-500."""
    assert log10_at_least(100, np.full(100, 1e-5)) == pytest.approx(-500)
    assert log10_at_least(101, np.full(100, 0.5)) == -np.inf
    assert log10_at_least(0, np.full(3, 0.1)) == 0.0


def test_places_meet_scattered_stars_as_often_as_said():
    random = np.random.default_rng(5)
    said, met = 0.0, 0
    for _ in range(40):
        stars, places = random.uniform(0, 1000, (80, 2)), random.uniform(50, 950, (60, 2))
        said += coincidence(places, stars, 12.0, 1e6).sum()
        met += len(pairs_within(places, stars, 12.0)[0])
    # 86 of them, known to 11 %; the larger of two densities counts, which adds to what is said
    assert 0.8 * met < said < 1.5 * met


def test_heaps_of_stars_are_no_finds():
    """All stars in one corner: places there meet one often, others never."""
    random = np.random.default_rng(6)
    said, met = 0.0, 0
    for _ in range(20):
        stars, places = random.uniform(0, 100, (60, 2)), random.uniform(20, 80, (50, 2))
        said += coincidence(places, stars, 3.0, 1e6).sum()
        met += len(pairs_within(places, stars, 3.0)[0])
    assert 0.75 * met < said < 1.35 * met, "some 110 are known to 10 %"


def test_pairs_are_each_other_s_nearest():
    places, stars = np.array([[0.0, 0], [1, 0], [50, 50]]), np.array([[0.9, 0.0], [51, 50], [200, 0]])
    place, star = pairs_within(places, stars, 2.0)
    assert list(zip(place, star, strict=True)) == [(1, 0), (2, 1)]
    assert len(pairs_within(places, np.empty((0, 2)), 2.0)[0]) == 0
