"""Clipped medians of cells against a slow numpy version and astropy's, on images that hardly are images, too."""

import numpy as np
import pytest
from astropy.stats import sigma_clip

from fourlight.core.levels import _median_away, cell_levels


def slow(values):
    """Median, standard deviation and number of values within 3 sigma of the median, three times."""
    middle = np.median(values)
    sigma = 1.4826 * np.median(np.abs(values - middle))
    for _ in range(3):
        kept = values[np.abs(values - middle) <= 3 * sigma]
        if len(kept) < 4 or len(kept) == len(values):
            break
        values, middle, sigma = kept, np.median(kept), kept.std()
    return middle, sigma, len(values)


def image_of(shape, kind):
    rng = np.random.default_rng(4)
    image = rng.normal(100, 5, shape)
    if kind == "whole numbers":
        image = np.rint(image / 4)
    if kind == "stars and holes":
        image[rng.random(shape) < 0.05] += 800
        image[rng.random(shape) < 0.3] = np.nan
        image[rng.random(shape) < 0.02] = -np.inf
    if kind == "equal":
        image[:] = 7
    return image.astype(np.float32)


@pytest.mark.parametrize("kind", ["noise", "whole numbers", "stars and holes", "equal"])
@pytest.mark.parametrize(
    ("shape", "cell_px"), [((120, 95), 20), ((130, 250), 125), ((3, 40), 7), ((1, 1), 5)]
)
@pytest.mark.parametrize("masked", [False, True])
def test_levels_equal_a_slow_version(kind, shape, cell_px, masked):
    image = image_of(shape, kind)
    mask = np.random.default_rng(5).random(shape) < 0.2 if masked else None
    found = cell_levels(image, mask, cell_px)
    step = max(1, cell_px // 60)
    for (j, i), level in np.ndenumerate(found.level):
        box = tuple(slice(k * cell_px, (k + 1) * cell_px, step) for k in (j, i))
        usable = np.isfinite(image[box]) & (~mask[box] if masked else True)
        if usable.sum() < max(4, 0.25 * usable.size):
            assert np.isnan([level, found.error[j, i], found.scatter[j, i]]).all()
            continue
        middle, sigma, count = slow(image[box][usable].astype(np.float64))
        error = 1.2533 * sigma / np.sqrt(count)
        got = (level, found.scatter[j, i], found.error[j, i])
        np.testing.assert_allclose(got, (middle, sigma, error), rtol=1e-9, atol=1e-12)


def test_clipping_is_that_of_astropy():
    """After the first cut by the scatter of the middle half it is the usual clip at 3 sigma."""
    values = np.random.default_rng(6).normal(100, 5, (60, 60)).astype(np.float32)
    values[:3] += 60
    clipped = sigma_clip(values.astype(np.float64), sigma=3, maxiters=4, cenfunc="median", stdfunc="mad_std")
    found = cell_levels(values, None, 60)
    assert found.level[0, 0] == pytest.approx(float(np.ma.median(clipped)), abs=0.1 * found.error[0, 0])
    assert found.scatter[0, 0] == pytest.approx(float(clipped.std()), rel=0.01)


@pytest.mark.parametrize("count", [1, 2, 3, 10, 11])
def test_median_distance(count):
    values = np.sort(np.random.default_rng(count).normal(0, 1, count)).astype(np.float32)
    middle = float(np.median(values.astype(np.float64)))
    assert _median_away(values, middle) == pytest.approx(
        float(np.median(np.abs(values.astype(np.float64) - middle)))
    )
