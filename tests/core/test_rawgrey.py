"""Raw samples as grey: scatter against scipy, and what has no value."""

import numpy as np
import pytest
from scipy.stats import median_abs_deviation

from fourlight.core.rawgrey import grey_of, over_noise


def test_samples_are_counted_in_their_scatter():
    """scipy.stats.median_abs_deviation with scale="normal" is the same number by another way."""
    samples = np.random.default_rng(1).normal(700, 12, (60, 80)).astype(np.float32)
    samples[3:5] = np.nan
    known = samples[np.isfinite(samples)]
    wanted = (samples - np.median(known)) / median_abs_deviation(known, scale="normal")
    np.testing.assert_allclose(over_noise(samples), wanted, atol=2e-3)


@pytest.mark.parametrize("level", [0.0, 65535.0])
def test_samples_that_do_not_scatter_are_at_their_level(level):
    samples = np.full((4, 4), level, np.float32)
    samples[0, 0] = np.nan
    found = over_noise(samples)
    assert np.isnan(found[0, 0])
    assert np.nansum(np.abs(found)) == 0
    assert grey_of(found)[0, 0] == 0
    assert len(np.unique(grey_of(found))) == 2


def test_nothing_known_is_black():
    found = over_noise(np.full((3, 3), np.nan, np.float32))
    assert grey_of(found).tolist() == [[0] * 3] * 3


def test_brighter_is_never_darker():
    light = np.linspace(-10, 500, 1000, dtype=np.float32).reshape(1, -1)
    grey = grey_of(light).astype(int)
    assert (np.diff(grey[0]) >= 0).all()
    assert (grey[0, 0], grey[0, -1]) == (0, 255)
