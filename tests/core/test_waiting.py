"""How many nights hold so many clear ones."""

from __future__ import annotations

import pytest
from scipy.stats import nbinom

from fourlight.core.waiting import nights_for


@pytest.mark.parametrize(
    ("clear", "chance"), [(1, 0.5), (3, 0.4), (12, 0.25), (40, 0.7), (2, 1e-5), (10_000, 0.3)]
)
@pytest.mark.parametrize("sure", [0.5, 0.9, 0.99])
def test_against_the_negative_binomial_of_a_library(clear: int, chance: float, sure: float) -> None:
    assert nights_for(clear, chance, sure) == clear + int(nbinom.ppf(sure, clear, chance))


def test_limits() -> None:
    assert nights_for(0, 0.5, 0.9) == 0
    assert nights_for(7, 1.0, 0.9) == 7
