"""Columns sorted together, against numpy."""

from __future__ import annotations

import numpy as np
import pytest

from fourlight.core.lanes import LANES
from fourlight.core.networks import merging_network, sort_columns


@pytest.mark.parametrize("count", [1, 2, 7, 8, 9, 16, 23, 24, 61])
def test_columns_are_sorted_as_numpy_does(count: int) -> None:
    rng = np.random.default_rng(count)
    values = np.full(((count + 7) // 8 * 8, LANES), np.inf, dtype=np.float32)
    values[:count] = rng.integers(-9, 9, (count, LANES))
    values[0, ::3] = np.inf
    expected = np.sort(values, axis=0)
    sort_columns(values, merging_network(count))
    np.testing.assert_array_equal(values, expected)
