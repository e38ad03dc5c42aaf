"""Samples on one scale, their weights and local range: a direct formula, scipy's filters, missing samples."""

import numpy as np
import pytest
from scipy.ndimage import maximum_filter, minimum_filter

from fourlight.core.cfa import plane_map
from fourlight.core.lanes import LANES
from fourlight.core.samples import expected_variance, normalised, polynomial_terms, spread, weigh

CELL = plane_map("GBRG")
NONE = np.empty((0, 0), dtype=np.float32)


def test_terms_are_all_powers_up_to_the_order():
    for order in range(5):
        terms = polynomial_terms(order)
        # (n + 1)(n + 2) / 2 monomials in two variables
        assert len(terms) == len(np.unique(terms, axis=0)) == (order + 1) * (order + 2) // 2
        assert terms.sum(axis=1).max() == order
        assert terms[0].tolist() == [0, 0]


@pytest.mark.parametrize("order", [0, 2, 4])
def test_normalised_is_the_formula(order):
    rng = np.random.default_rng(order)
    rect = rng.uniform(100, 900, (21, 33)).astype(np.float32)
    response = rng.uniform(0.5, 1.2, rect.shape).astype(np.float32)
    rect[3, 4] = np.nan
    terms = polynomial_terms(order)
    sky, scale, dark = rng.normal(0, 20, (4, len(terms))), rng.uniform(0.5, 2, 4), rng.uniform(5, 30, 4)
    out = [np.empty(rect.size, dtype=np.float32) for _ in range(3)]
    normalised(rect, response, 7, 12, CELL, sky, terms, np.array([80, 120]), scale, dark, 1.0, *out)
    y, x = np.mgrid[7:28, 12:45]
    plane, u, v = CELL[y % 2, x % 2], 2 * x / 119 - 1, 2 * y / 79 - 1
    d = sum(sky[plane, k] * u ** terms[k, 0] * v ** terms[k, 1] for k in range(len(terms)))
    rs = response * scale[plane]
    expected = (rect - d) / scale[plane], (dark[plane] + d * response) / rs**2, 1 / rs
    for found, truth in zip(out, expected, strict=True):
        np.testing.assert_allclose(found.reshape(rect.shape), truth, rtol=2e-5, atol=1e-5)


def test_claimed_variance_is_that_of_poisson_light_behind_a_flat():
    """Raw counts Poisson(E r) + read noise, calibrated (/ r), sky off, scaled: 5e5 draws, error 0.2 per cent."""
    rng = np.random.default_rng(3)
    response, sky, scale, level, read = 0.6, 150.0, 0.8, 400.0, 3.0
    light = sky + scale * level
    counts = rng.poisson(light * response, 500_000) + rng.normal(0, read, 500_000)
    rect = (counts / response).astype(np.float32).reshape(1000, 500)
    out = [np.empty(rect.size, dtype=np.float32) for _ in range(3)]
    normalised(
        rect, np.full_like(rect, response), 0, 0, CELL, np.full((4, 1), sky), polynomial_terms(0),
        np.array([1000, 500]), np.full(4, scale), np.full(4, read**2), 1.0, *out,
    )  # fmt: skip
    assert np.mean(out[0]) == pytest.approx(level, rel=1e-3)
    claimed = expected_variance(float(out[1][0]), float(out[2][0]), level, 0.0)
    assert np.var(out[0].astype(float)) == pytest.approx(claimed, rel=0.01)


def test_variance_never_falls_below_the_floor():
    assert expected_variance(4.0, 1.0, 5.0, 1.0) == 9.0
    assert expected_variance(4.0, 1.0, -50.0, 1.0) == 1.0
    assert expected_variance(4.0, 1.0, np.nan, 2.5) == 2.5


def test_spread_equals_scipys_filters():
    image = np.random.default_rng(6).normal(0, 1, (17, 23)).astype(np.float32)
    expected = maximum_filter(image, 3, mode="nearest") - minimum_filter(image, 3, mode="nearest")
    np.testing.assert_allclose(spread(image), expected, rtol=1e-6)
    image[5, 5] = np.nan
    assert np.isfinite(spread(image)).all()
    assert (spread(np.full((3, 3), np.nan, dtype=np.float32)) == 0).all()
    assert spread(np.ones((1, 1), dtype=np.float32)) == 0


def test_missing_pixels_have_no_part_in_the_spread():
    image = np.random.default_rng(7).normal(0, 1, (19, 21)).astype(np.float32)
    image[2:5, 3:8] = np.nan
    image[:, -1] = np.nan
    largest = maximum_filter(np.where(np.isnan(image), -np.inf, image), 3, mode="nearest")
    least = minimum_filter(np.where(np.isnan(image), np.inf, image), 3, mode="nearest")
    expected = np.where(largest >= least, largest - least, 0)
    np.testing.assert_allclose(spread(image), expected, rtol=1e-6)
    assert spread(image)[3, 5] == 0


@pytest.mark.parametrize("shape", [(0, 4), (4, 0), (1, 1), (1, 2), (2, 2)])
def test_spread_of_tiny_images(shape):
    image = np.random.default_rng(8).normal(0, 1, shape).astype(np.float32)
    expected = np.ptp(image) if image.size else 0
    np.testing.assert_allclose(spread(image), np.full(shape, expected), rtol=1e-6)


def test_weights_are_inverse_variances_at_the_sky_and_noise_is_that_at_the_level():
    rng = np.random.default_rng(9)
    count = 50
    z, base, slope = (rng.uniform(1, 9, 2 * count - 1).astype(np.float32) for _ in range(3))
    bad = (rng.random(z.size) < 0.2).astype(np.int8)
    z[rng.random(z.size) < 0.2] = np.nan
    level = rng.uniform(-20, 20, LANES).astype(np.float32)
    level[rng.random(LANES) < 0.2] = np.nan
    out = np.empty(3 * LANES, dtype=np.float32)
    weigh(z, base, slope, bad, level, count, 3.0, 2.5, 0.7, 0.4, out)
    own, there = slice(None, None, 2), ~np.isnan(z[::2]) & (bad[::2] == 0)
    assert 10 < there.sum() < count
    weight = np.where(there, 0.7 / np.maximum(base[own] + slope[own] * 3.0, 2.5), 0)
    light = np.where(np.isnan(level[:count]), 3.0, level[:count])
    noise = weight**2 * (np.maximum(base[own] + slope[own] * light, 2.5) + 0.4)
    np.testing.assert_allclose(out[:count], weight, rtol=1e-6)
    np.testing.assert_allclose(out[LANES:][:count], weight * np.nan_to_num(z[own]), rtol=1e-6)
    np.testing.assert_allclose(out[2 * LANES :][:count][there], noise[there], rtol=1e-6)


@pytest.mark.parametrize("flat", [True, False])
def test_rectangles_may_be_parts_of_larger_arrays(flat):
    rng = np.random.default_rng(10)
    wide, response = (rng.uniform(100, 900, (30, 40)).astype(np.float32) for _ in range(2))
    arguments = (
        3, 5, CELL, rng.normal(0, 20, (4, 3)), polynomial_terms(1), np.array([80, 120]), np.ones(4), np.ones(4), 1.0,
    )  # fmt: skip
    found = []
    for copied in (True, False):
        rect, part = wide[4:20, 7:30], response[4:20, 7:30] if flat else NONE
        out = [np.empty(rect.size, dtype=np.float32) for _ in range(3)]
        normalised(rect.copy() if copied else rect, part.copy() if copied else part, *arguments, *out)
        found.append(out)
    np.testing.assert_array_equal(found[0], found[1])
