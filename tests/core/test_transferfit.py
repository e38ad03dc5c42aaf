"""Gain and saturation, against the reference implementation of EMVA 1288 and Janesick's simulation."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from fourlight.core.regionerror import agreed
from fourlight.core.transferfit import RANGE, dynamic_range, gain_of, saturation_of

AUTHORITY = Path(__file__).parents[1] / "authorities" / "photon_transfer" / "emva1288.json"
TOLD = json.loads(AUTHORITY.read_text())
SAMPLES = 1600.0


@pytest.mark.parametrize("place", TOLD)
def test_saturation_is_that_of_the_reference_implementation(place: str) -> None:
    """EMVA 1288: the level of the largest temporal variance (emva1288 1.0.2)."""
    told = TOLD[place]
    level, variance = np.array(told["level"]), np.array(told["variance"])
    found = saturation_of(level, variance, np.full(len(level), SAMPLES))
    assert found is not None
    assert found.reached
    assert found.level == pytest.approx(level[told["saturation_index"]], rel=1e-9)


@pytest.mark.parametrize("place", TOLD)
@pytest.mark.parametrize(("equal_weights", "tolerance"), [(True, 1e-6), (False, 0.045)])
def test_gain_is_that_of_the_reference_implementation(
    place: str, equal_weights: bool, tolerance: float
) -> None:
    """The line through no light up to 70 % of saturation, by emva1288 1.0.2.

    It weighs all levels alike; with a dark variance that drowns the light, so does ours, to the last digits. By their
    errors, low levels count as much as high ones: with 1600 samples each (3.5 %), both ways differ by 1.1 % by chance.
    """
    told = TOLD[place]
    level, variance = np.array(told["level"]), np.array(told["variance"])
    use = level <= RANGE * level[told["saturation_index"]]
    light = variance - told["dark_variance"]
    dark = 1e15 if equal_weights else told["dark_variance"]
    found = gain_of(
        level[:, None], light[:, None], np.full((len(level), 1), SAMPLES), np.array([dark]), use[:, None]
    )
    assert found is not None
    assert found.value == pytest.approx(told["gain_e_per_adu"], rel=tolerance)


@pytest.mark.parametrize("place", TOLD)
def test_dynamic_range_is_that_of_the_reference_implementation(place: str) -> None:
    told = TOLD[place]
    dark_e = told["dark_noise_adu"] * told["gain_e_per_adu"]
    assert dynamic_range(told["full_well_e"], dark_e) == pytest.approx(told["dynamic_range"], rel=1e-9)


def test_snr_of_the_standard_is_one_where_the_dynamic_range_ends() -> None:
    """EMVA 1288 section 2 (from memory): S/N = mu / sqrt(sigma_d^2 + sigma_q^2 / K^2 + mu)."""
    for dark in (2.0, 5.0, 20.0):
        least = 1.0 / dynamic_range(1.0, dark)
        assert least / np.sqrt(dark**2 + least) == pytest.approx(1.0, rel=0.05)


def drawn(
    seed: int, gain: float, electrons: np.ndarray, regions: int, samples: int
) -> tuple[np.ndarray, ...]:
    """Levels and variances as regions of pairs show them: variances of ``samples`` normal values."""
    rng = np.random.default_rng(seed)
    level = electrons[:, None] / gain * np.linspace(0.8, 1.0, regions)
    dark = np.full(regions, 4.0)
    total = level / gain + dark
    shown = total * rng.chisquare(samples - 1, total.shape) / (samples - 1)
    return level, shown - dark, np.full(total.shape, float(samples)), dark


def test_gain_and_its_error_over_many_draws() -> None:
    """Pulls of 200 draws: mean 0 within 4 / sqrt(200), scatter 1 within 4 / sqrt(400)."""
    pulls = []
    for seed in range(200):
        level, light, count, dark = drawn(seed, 1.35, np.array([100.0, 1000.0, 5000.0, 20000.0]), 64, 900)
        found = gain_of(level, light, count, dark, np.ones(level.shape, dtype=bool))
        assert found is not None
        pulls.append((found.value - 1.35) / found.error)
    assert abs(np.mean(pulls)) < 4 / 200**0.5
    assert np.std(pulls) == pytest.approx(1.0, abs=4 / 400**0.5)


def test_pairs_that_disagree_enlarge_the_error() -> None:
    level, light, count, dark = drawn(3, 1.35, np.full(8, 5000.0), 64, 900)
    calm = gain_of(level, light, count, dark, np.ones(level.shape, dtype=bool))
    shaken = light * np.array([1.0, 1.05] * 4)[:, None]
    found = gain_of(level, shaken, count, dark, np.ones(level.shape, dtype=bool))
    assert calm is not None
    assert found is not None
    assert found.excess > 2
    assert found.error > 2 * calm.error
    # eight pairs that scatter by 2.5 % give the mean to 2.6 / sqrt(8) %
    assert found.error / found.value == pytest.approx(0.025 / 8**0.5, rel=0.5)


def test_nothing_to_fit_is_none() -> None:
    nothing = np.full((2, 3), np.nan)
    assert gain_of(nothing, nothing, nothing, np.zeros(3), np.ones((2, 3), dtype=bool)) is None
    level, light, count, dark = drawn(1, 1.0, np.array([500.0]), 4, 100)
    assert gain_of(level, -light, count, dark, np.ones(level.shape, dtype=bool)) is None
    assert saturation_of(nothing, nothing, nothing) is None


def test_noise_at_the_top_is_no_saturation() -> None:
    """Variances of bright levels scatter; only a drop that is sure counts."""
    for seed in range(50):
        level, light, count, dark = drawn(seed, 1.0, np.linspace(1000, 20000, 20), 4, 200)
        found = saturation_of(level.ravel(), (light + dark).ravel(), count.ravel())
        assert found is not None
        assert not found.reached
        assert found.level == pytest.approx(20000, rel=0.05)
    assert agreed(np.array([]), np.array([])).error == np.inf
