"""Samples on one scale and their reference: numpy's median, a direct formula, missing and few samples."""

import runpy
from pathlib import Path

import numpy as np
import pytest
from astropy.stats import mad_std
from scipy.ndimage import maximum_filter, minimum_filter

from fourlight.core.bends import straight
from fourlight.core.cfa import plane_map
from fourlight.core.samples import expected_variance, normalised, polynomial_terms, reference, spread

fields = runpy.run_path(str(Path(__file__).parents[1] / "fields.py"))
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


def _references(images, matrices, plane=0, shape=None):
    shape = shape or images[0].shape
    sizes = np.array([image.size for image in images])
    inverse = np.array([fields["maps"].inverse(np.asarray(m, float)) for m in matrices])
    zero = np.zeros(len(images), dtype=np.int64)
    height, width = (np.array([image.shape[k] for image in images]) for k in (0, 1))
    ref, scatter = np.empty(shape, dtype=np.float32), np.empty(shape, dtype=np.float32)
    behind = np.empty(shape, dtype=np.int32)
    buffer = np.concatenate([np.ravel(image) for image in images]).astype(np.float32)
    start = np.cumsum(sizes) - sizes
    reference(
        buffer, start, height, width, zero, zero, straight(inverse), CELL, plane, 0, 0, ref, scatter, behind
    )
    np.testing.assert_array_equal(behind > 0, np.isfinite(ref))
    assert behind.max() <= len(images)
    return ref, scatter


IDENTITY = [[1.0, 0, 0], [0, 1.0, 0]]


@pytest.mark.parametrize("count", [1, 3, 5, 6, 7, 24, 49, 60])
@pytest.mark.parametrize("plane", [0, 3])
def test_reference_is_numpys_median_of_the_nearest_samples(count, plane):
    rng = np.random.default_rng(count)
    images = rng.normal(100, 10, (count, 20, 24)).astype(np.float32)
    images[rng.random(images.shape) < 0.1] = np.nan
    matrices = [[[1, 0, 2 * dx], [0, 1, 2 * dy]] for dx, dy in rng.integers(-2, 3, (count, 2))]
    ref, scatter = _references(images, matrices, plane)
    py, px = np.argwhere(plane == CELL)[0]
    for j, i in ((py, px), (10 + py, 8 + px), (18 + py, 22 + px)):
        values = [
            image[j - int(m[1][2]), i - int(m[0][2])]
            for image, m in zip(images, matrices, strict=True)
            if 0 <= j - m[1][2] < 20 and 0 <= i - m[0][2] < 24
        ]
        values = np.sort([v for v in values if np.isfinite(v)])
        if len(values) == 0:
            assert np.isnan(ref[j, i])
            continue
        # under six samples the lower of the two middle ones is taken: outliers are mostly bright
        few = len(values) < 6 and len(values) % 2 == 0
        middle = values[len(values) // 2 - 1] if few else np.median(values)
        assert ref[j, i] == pytest.approx(middle, rel=1e-6)
        if len(values) >= 6:
            assert scatter[j, i] == pytest.approx(mad_std(values), rel=2e-4)


def test_noise_of_the_reference_is_that_of_a_median():
    # n var(median) / sigma^2 = 1.4949 at n = 9, 1.5385 at n = 21 (EXTERNAL CHECKS S14)
    for count, expected in ((9, 1.4949), (21, 1.5385)):
        images = np.random.default_rng(count).normal(0, 1, (count, 160, 160)).astype(np.float32)
        ref, _ = _references(images, [IDENTITY] * count)
        own = ref[1::2, ::2]
        assert count * np.var(own) == pytest.approx(expected, rel=0.05)


def test_order_of_the_frames_does_not_matter():
    rng = np.random.default_rng(5)
    images = rng.normal(0, 1, (12, 30, 30)).astype(np.float32)
    matrices = [
        fields["turned"](rng.uniform(0, 360), 1.1, tuple(rng.uniform(-3, 3, 2)), (15, 15)) for _ in range(12)
    ]
    ref, scatter = _references(images, matrices)
    order = rng.permutation(12)
    again = _references(images[order], [matrices[k] for k in order])
    np.testing.assert_array_equal(ref, again[0])
    np.testing.assert_array_equal(scatter, again[1])


def test_frames_of_other_sizes_and_no_samples():
    ref, scatter = _references(
        [np.full((6, 8), 3.0), np.full((3, 3), np.nan)], [IDENTITY] * 2, shape=(10, 12)
    )
    # R stands at odd rows and even columns; where the nearest one would lie outside there is nothing
    assert (ref[:6, :7] == 3).all()
    assert np.isnan(ref[8:, 10:]).all()
    assert (scatter == 0).all()


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
