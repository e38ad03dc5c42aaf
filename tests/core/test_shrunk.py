"""Means of squares: against scikit-image, whose rims are cut to whole squares here."""

import numpy as np
import pytest
from skimage.measure import block_reduce

from fourlight.core.shrunk import shrunk


@pytest.mark.parametrize("factor", [1, 2, 3, 8])
@pytest.mark.parametrize("shape", [(48, 72), (49, 71), (5, 7)])
def test_squares_are_those_of_scikit_image(factor, shape):
    image = np.random.default_rng(3).normal(5, 1, shape).astype(np.float32)
    image[0, 0], image[2:4, 3:9] = np.nan, np.nan
    whole = tuple(side // factor * factor for side in shape)
    found = shrunk(image, factor)
    assert found.shape == tuple(-(-side // factor) for side in shape)
    with np.errstate(invalid="ignore"):
        sums = block_reduce(np.nan_to_num(image[: whole[0], : whole[1]]), factor, np.sum)
        counts = block_reduce(np.isfinite(image[: whole[0], : whole[1]]), factor, np.sum)
        wanted = sums / counts
    np.testing.assert_allclose(found[: wanted.shape[0], : wanted.shape[1]], wanted, rtol=1e-6)


def test_the_rim_is_the_mean_of_what_there_is():
    image = np.arange(15, dtype=np.float32).reshape(3, 5)
    assert shrunk(image, 2)[1, 2] == 14
    assert shrunk(image, 2)[1].tolist() == [10.5, 12.5, 14.0]
