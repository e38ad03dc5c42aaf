"""Linearity error, against the reference implementation of EMVA 1288."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from fourlight.core.linearity import FEWEST, linearity

AUTHORITY = Path(__file__).parents[1] / "authorities" / "photon_transfer" / "emva1288.json"
TOLD = json.loads(AUTHORITY.read_text())


@pytest.mark.parametrize("place", TOLD)
def test_deviations_are_those_of_the_reference_implementation(place: str) -> None:
    """LE min and LE max of release 4.0 (emva1288 1.0.2), of a sensor whose response bends."""
    told = TOLD[place]
    level = np.array(told["level"])
    found = linearity(np.array(told["photons"]), level, level[told["saturation_index"]])
    assert found is not None
    assert 100 * found.lowest == pytest.approx(told["linearity_lowest_percent"], rel=1e-9)
    assert 100 * found.highest == pytest.approx(told["linearity_highest_percent"], rel=1e-9)
    assert 0 < found.mean < max(-found.lowest, found.highest)


def test_a_line_with_an_offset_has_no_error() -> None:
    time = np.linspace(0.1, 2.0, 12)
    found = linearity(time, 700.0 * time + 3.0, 1400.0)
    assert found is not None
    assert (found.slope, found.offset) == pytest.approx((700.0, 3.0))
    assert np.abs(found.deviation).max() < 1e-12


def test_levels_outside_the_range_do_not_bend_the_line() -> None:
    time = np.arange(1.0, 21.0)
    level = 50.0 * time
    level[-2:] = 920.0
    found = linearity(time, level, 930.0)
    assert found is not None
    assert found.slope == pytest.approx(50.0)
    assert found.deviation[-1] == pytest.approx(-0.08)


@pytest.mark.parametrize("count", [0, 1, FEWEST - 1])
def test_few_levels_tell_nothing(count: int) -> None:
    time = np.arange(1.0, count + 1.0)
    assert linearity(time, 100 * time, 600.0) is None


def test_one_exposure_tells_nothing() -> None:
    assert linearity(np.ones(9), np.linspace(100, 500, 9), 600.0) is None
