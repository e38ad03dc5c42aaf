"""Colours that stars have, against the catalogue itself and against Bayes' rule for normal colours."""

import numpy as np
import pytest

from fourlight.sky import starcounts
from fourlight.sky.catalogue import all_stars
from fourlight.sky.starcounts import likely_colours, usual_counts

GRID = np.linspace(-0.4, 2.1, 251)


def test_counts_are_those_of_the_catalogue():
    b_v = all_stars(faintest=8.5).b_v
    b_v = b_v[np.isfinite(b_v)]
    # the catalogue has B-V to a hundredth
    edges = starcounts.FIRST + starcounts.STEP * (np.arange(len(starcounts.COUNTS) + 1) - 0.5) + 0.005
    found = np.histogram(b_v, edges)[0] / len(b_v) * 1000
    np.testing.assert_allclose(starcounts.COUNTS, found, atol=0.06)


def test_what_is_likely_is_what_bayes_says(monkeypatch):
    """Normal colours seen with a normal error: mean and variance of the product of two normals."""
    monkeypatch.setattr(starcounts, "usual_counts", lambda b_v: np.exp(-0.5 * ((b_v - 0.5) / 0.3) ** 2))
    likely = likely_colours(np.array([0.8]), np.array([0.2]), GRID)[0]
    precision = 0.2**-2 + 0.3**-2
    mean = (0.8 / 0.2**2 + 0.5 / 0.3**2) / precision
    assert likely.sum() == pytest.approx(1.0)
    assert likely @ GRID == pytest.approx(mean, abs=1e-3)
    assert likely @ (GRID - mean) ** 2 == pytest.approx(1 / precision, rel=0.01)


def test_an_exact_colour_stays_and_one_of_no_stars_is_none():
    assert likely_colours(np.array([0.85]), np.array([0.01]), GRID)[0] @ GRID == pytest.approx(0.85, abs=0.01)
    assert usual_counts([-1.0, 3.0]).tolist() == [0.0, 0.0]
