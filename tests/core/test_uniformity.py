"""Nonuniformity with the temporal variance taken off, and samples that stand apart."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from fourlight.core.regionerror import Measured
from fourlight.core.uniformity import (
    HIGH_PASS,
    WHITE_LEFT,
    apart,
    high_passed,
    spatial_variance,
    square_root,
    unsteady,
)

AUTHORITY = Path(__file__).parents[1] / "authorities" / "photon_transfer"


def test_dark_and_response_nonuniformity_are_those_of_the_reference_implementation() -> None:
    """EMVA 1288 DSNU and PRNU by emva1288 1.0.2, of evenly lit frames without the high-pass filter.

    The filter looks at other combinations of the same samples, so the figures of 40 x 40 samples agree to their
    scatter: two independent standard deviations would differ by 1 / sqrt(1600) = 2.5 %.
    """
    frames = np.load(AUTHORITY / "frames.npz")
    told = json.loads((AUTHORITY / "emva1288.json").read_text())
    for key, numbers in told.items():
        y, x = map(int, key.split(","))
        dark, lit = (frames[name][:, y::2, x::2].astype(np.float64) for name in ("dark_stack", "lit_stack"))
        spatial = []
        for stack in (dark, lit):
            temporal = stack.var(axis=0, ddof=1).mean() / len(stack)
            spatial.append(spatial_variance(high_passed(stack.mean(axis=0).astype(np.float32)), temporal))
        dsnu = square_root(spatial[0]).value * numbers["gain_e_per_adu"]
        level = lit.mean() - dark.mean()
        prnu = 100 * np.sqrt(spatial[1].value - spatial[0].value) / level
        assert dsnu == pytest.approx(numbers["dsnu_e"], rel=0.04)
        assert prnu == pytest.approx(numbers["prnu_percent"], rel=0.04)


def test_white_variance_is_kept_and_vignetting_is_not() -> None:
    rng = np.random.default_rng(2)
    y, x = np.mgrid[:300, :300]
    shade = 100.0 * (1 - 0.3 * ((x - 150) ** 2 + (y - 150) ** 2) / 45000)
    plane = (shade + rng.normal(0, 0.5, shape := (300, 300))).astype(np.float32)
    found = spatial_variance(high_passed(plane), 0.0)
    assert found.value == pytest.approx(0.25, rel=0.02)
    assert abs(found.value - 0.25) < 4 * found.error
    assert found.error == pytest.approx(0.25 * (2 / np.prod(shape)) ** 0.5, rel=0.5)


def test_temporal_variance_is_taken_off() -> None:
    rng = np.random.default_rng(3)
    fixed = rng.normal(0, 1.0, (200, 200))
    mean = (fixed + rng.normal(0, 3.0 / 10**0.5, fixed.shape)).astype(np.float32)
    found = square_root(spatial_variance(high_passed(mean), 9.0 / 10))
    assert found.value == pytest.approx(1.0, abs=4 * found.error)
    assert found.error < 0.03


def test_nothing_but_noise_is_no_nonuniformity() -> None:
    rng = np.random.default_rng(4)
    noise = rng.normal(0, 1.0, (200, 200)).astype(np.float32)
    found = square_root(spatial_variance(high_passed(noise), 1.0))
    assert found.value <= 3 * found.error
    assert square_root(Measured(-1.0, 0.5)).value == 0.0


def test_filter_leaves_what_a_box_leaves() -> None:
    """EMVA 1288: the sample less the mean of the box around it; 24 / 25 of a single one is left in its place."""
    plane = np.zeros((11, 11), dtype=np.float32)
    plane[5, 5] = 1.0
    found = high_passed(plane)
    assert found[5, 5] == pytest.approx(1 - 1 / HIGH_PASS**2)
    assert found[5, 6] == pytest.approx(-1 / HIGH_PASS**2)
    assert np.nansum(found.astype(np.float64) ** 2) == pytest.approx(WHITE_LEFT)
    assert np.isnan(found[0]).all()


def test_unknown_samples_spread_no_further_than_the_box() -> None:
    plane = np.ones((20, 20), dtype=np.float32)
    plane[10, 10] = np.nan
    assert np.isnan(high_passed(plane)).sum() == 25 + 20 * 20 - 16 * 16
    assert np.isnan(spatial_variance(np.full((20, 20), np.nan, dtype=np.float32), 0.0).value)


def test_single_samples_stand_apart_and_gradients_do_not() -> None:
    rng = np.random.default_rng(6)
    plane = (np.linspace(0, 20, 80)[:, None] + rng.normal(0, 1, (80, 80))).astype(np.float32)
    plane[40, 40] += 30
    plane[60, 5] -= 25
    excess, scatter = apart(plane)
    assert scatter == pytest.approx(1.0, rel=0.15)
    inner = np.abs(excess[4:-4, 4:-4]) > 8 * scatter
    assert [tuple(place + 4) for place in np.argwhere(inner)] == [(40, 40), (60, 5)]


def test_steady_samples_are_called_unsteady_as_seldom_as_chance_asks() -> None:
    """A thousand million is no number to test; the threshold is that of chi-squared (SciPy), and 1e5 samples pass."""
    rng = np.random.default_rng(7)
    samples = rng.normal(0, 2.0, (12, 300, 300))
    kept = np.full((300, 300), 12, dtype=np.int32)
    assert not unsteady(samples.var(axis=0, ddof=1).astype(np.float32), 4.0, kept).any()
    most = stats.chi2.isf(1e-9, 11) / 11 * 4.0
    edge = np.array([[0.999 * most, 1.001 * most]], dtype=np.float32)
    assert unsteady(edge, 4.0, kept[:1, :2]).tolist() == [[False, True]]
    jumps = samples[:, :1, :1] + rng.choice([0.0, 30.0], (12, 1, 1))
    assert unsteady(jumps.var(axis=0, ddof=1).astype(np.float32), 4.0, kept[:1, :1]).all()


def test_two_exposures_tell_nothing_of_a_single_sample() -> None:
    assert not unsteady(np.full((1, 1), 1e9, dtype=np.float32), 1.0, np.full((1, 1), 2, dtype=np.int32)).any()
