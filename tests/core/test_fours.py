"""Four numbers as one: compiled and plain against numpy, with nothing written beside them."""

import numpy as np
import pytest
from numba import njit

from fourlight.core.fours import add_to_four, four, four_more, four_squared


def worked(array, out, first, a, b, c, d, factor):
    """Add ``f^2 (v + f w)^2`` to ``out``: v are the four numbers, w those of the array, f is the factor."""
    add_to_four(out, first, four_squared(four_more(four(a, b, c, d), array, first, factor), factor), factor)


@pytest.mark.parametrize("run", [worked, njit(worked)], ids=["plain", "compiled"])
@pytest.mark.parametrize("first", [0, 1, 7, 8, np.uint64(3)])
def test_sums_of_fours_are_numpys(run, first):
    rng = np.random.default_rng(3)
    array, out = (rng.normal(size=12).astype(np.float32) for _ in range(2))
    factor, value = np.float32(0.7), rng.normal(size=4).astype(np.float32)
    expected = out.astype(float)
    there = slice(int(first), int(first) + 4)
    part = value.astype(float) + factor * array[there].astype(float)
    expected[there] += factor * (part * part * factor)
    beside = np.delete(out, np.r_[there])
    run(array, out, first, *value, factor)
    np.testing.assert_allclose(out, expected, rtol=1e-6, atol=1e-7)
    np.testing.assert_array_equal(np.delete(out, np.r_[there]), beside)


def test_compiled_and_plain_agree_to_the_last_bit():
    found = []
    for run in (worked, njit(worked)):
        rng = np.random.default_rng(4)
        array, out = (rng.normal(size=1000).astype(np.float32) for _ in range(2))
        for first in range(0, 996, 3):
            run(array, out, first, *rng.normal(size=4).astype(np.float32), np.float32(rng.normal()))
        found.append(out)
    np.testing.assert_array_equal(*found)
