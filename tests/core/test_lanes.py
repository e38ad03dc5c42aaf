"""Steps on many pixels of a row: against numpy's polynomials and indexing."""

import numpy as np
import pytest

from fourlight.core import bends
from fourlight.core.lanes import LANES, fetch, places


@pytest.mark.parametrize("bent", [False, True])
@pytest.mark.parametrize(("step", "count"), [(1, LANES), (2, 17), (2, 0)])
def test_places_are_numpys_polynomials(bent, step, count):
    rng = np.random.default_rng(count)
    bend = bends.straight(np.array([[0.9, 0.2, 7.0], [-0.2, 0.9, 3.0]]))
    if bent:
        bend[0, 2, 0], bend[0, 1, 2], bend[1, 3, 0], bend[1, 0, 3] = rng.normal(0, 1e-6, 4)
    row, at = np.empty((2, 4)), np.full(2 * LANES, -7.0)
    bends.along_row(bend, 311, 5, 6, row)
    places(row, 1200, step, count, at)
    x, y = bends.apply(bend, 1200.0 + step * np.arange(count), np.full(count, 311.0))
    np.testing.assert_allclose(at[:count], x - 5, atol=1e-9)
    np.testing.assert_allclose(at[LANES:][:count], y - 6, atol=1e-9)
    assert (at[count:LANES] == -7).all()
    assert (at[LANES + count :] == -7).all()


@pytest.mark.parametrize("kind", [np.float32, np.int32])
def test_fetch_is_numpys_take(kind):
    rng = np.random.default_rng(1)
    image, numbers = rng.integers(0, 1000, 500).astype(kind), rng.integers(0, 500, LANES).astype(np.int32)
    values = np.zeros(LANES, dtype=kind)
    fetch(image, numbers, 200, values)
    np.testing.assert_array_equal(values[:200], np.take(image, numbers[:200]))
    assert not values[200:].any()
