"""Mean of a field with its error from two halves: against scikit-image, against the scatter of trials, and nothing."""

import numpy as np
import pytest
from skimage.measure import block_reduce

from fourlight.core.blockmeans import FEWEST, block_sums, mean_of_blocks


def test_blocks_are_those_of_scikit_image():
    image = np.random.default_rng(2).normal(5, 1, (40, 64)).astype(np.float32)
    image[3:9, 5] = np.nan
    sums, counts = block_sums(image, 8)
    np.testing.assert_allclose(sums, block_reduce(np.nan_to_num(image), 8, np.sum), rtol=1e-5)
    np.testing.assert_array_equal(counts, block_reduce(np.isfinite(image), 8, np.sum))


def test_rims_hold_what_is_left():
    sums, counts = block_sums(np.ones((9, 10), np.float32), 4)
    assert counts.tolist() == [[16, 16, 8], [16, 16, 8], [4, 4, 2]]
    np.testing.assert_array_equal(sums, counts)


def measured(rng, shape=(80, 96), noise=3.0, common=0.0):
    """Two halves of one field with structure, and what is told of it."""
    field = 50 + 20 * np.sin(np.arange(shape[1]) / 7)
    halves = [(field + sign * common + rng.normal(0, noise, shape)).astype(np.float32) for sign in (1, -1)]
    sums, counts = block_sums(np.mean(halves, axis=0, dtype=np.float32), 8)
    difference, both = block_sums((halves[0] - halves[1]) / np.float32(2), 8)
    return mean_of_blocks(sums.ravel(), counts.ravel(), (difference / both).ravel()), float(field.mean())


def test_errors_are_those_by_which_trials_scatter():
    """400 trials: their scatter is known to 3.5 % (1 / sqrt(2 n)), structure of the field is in neither."""
    rng = np.random.default_rng(8)
    trials = [measured(rng) for _ in range(400)]
    off = np.array([mean.value - truth for mean, truth in trials])
    told = np.sqrt(np.mean([mean.error**2 for mean, _ in trials]))
    assert np.std(off) == pytest.approx(told, rel=0.15)
    # of independent pixels: noise / sqrt(2) of the mean of both, over the root of their number
    assert told == pytest.approx(3 / np.sqrt(2 * 80 * 96), rel=0.05)


def test_what_blocks_have_in_common_is_an_error_too():
    mean, _ = measured(np.random.default_rng(3), common=0.5)
    assert mean.apart == pytest.approx(0.5, abs=0.1)
    assert mean.error == abs(mean.apart)


def test_too_little_has_no_error():
    few = np.ones(FEWEST - 1)
    assert mean_of_blocks(few, few, few).error == np.inf
    nothing = mean_of_blocks(np.zeros(4), np.zeros(4), np.full(4, np.nan))
    assert np.isnan(nothing.value)
    assert nothing.error == np.inf
