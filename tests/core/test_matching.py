"""Star matching: maps against skimage and ERFA, random fields, and lists that cannot match."""

import runpy
from pathlib import Path

import erfa
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from skimage.transform import AffineTransform, estimate_transform

from fourlight.core.maps import affine, apply, composed, inverse
from fourlight.core.matching import match

fields = runpy.run_path(str(Path(__file__).parents[1] / "fields.py"))

finite = st.floats(-3, 3, allow_subnormal=False)
matrices = st.tuples(finite, finite, finite, finite, st.floats(-500, 500), st.floats(-500, 500)).map(
    lambda v: np.array([[v[0], v[1], v[4]], [v[2], v[3], v[5]]])
)


@given(matrices)
def test_inverse_undoes(matrix):
    if abs(matrix[0, 0] * matrix[1, 1] - matrix[0, 1] * matrix[1, 0]) < 0.05:
        return
    whole = composed(matrix, inverse(matrix))
    np.testing.assert_allclose(whole, [[1, 0, 0], [0, 1, 0]], atol=1e-7)


@given(matrices, matrices)
def test_maps_compose_as_matrices_do(first, second):
    x, y = np.array([1.0, -7.0]), np.array([2.5, 300.0])
    square = [np.vstack([m, [0, 0, 1]]) for m in (first, second)]
    np.testing.assert_allclose(composed(first, second), (square[1] @ square[0])[:2], atol=1e-9)
    np.testing.assert_allclose(
        apply(composed(first, second), x, y), apply(second, *apply(first, x, y)), atol=1e-6
    )


def test_similarity_of_skimage_is_recovered():
    # scale 1.01, rotation 0.3 deg, shift (5.25, -3.5) from 50 exact pairs; skimage.transform finds them to 1e-12
    rng = np.random.default_rng(1)
    source = rng.uniform(0, 1000, (50, 2))
    truth = AffineTransform(scale=1.01, rotation=np.radians(0.3), translation=(5.25, -3.5))
    target = truth(source)
    expected = estimate_transform("similarity", source, target).params[:2]
    np.testing.assert_allclose(affine(source, target, np.ones(50)), expected, atol=1e-9)
    np.testing.assert_allclose(match(source, target, np.ones(50)).matrix, truth.params[:2], atol=1e-9)


def test_noisy_affine_equals_skimage():
    rng = np.random.default_rng(2)
    source = rng.uniform(0, 1500, (80, 2))
    target = source @ np.array([[0.98, 0.1], [-0.12, 1.03]]) + rng.normal(0, 0.3, (80, 2))
    expected = AffineTransform.from_estimate(source, target).params[:2]
    # skimage minimises the homogeneous equations, scaled: 1e-3 px apart at most, where each star has 0.3 px
    np.testing.assert_allclose(affine(source, target, np.full(80, 3.0)), expected, atol=1e-3)
    design = np.column_stack([source, np.ones(80)])
    plain = np.linalg.lstsq(design, target, rcond=None)[0].T
    np.testing.assert_allclose(affine(source, target, np.full(80, 3.0)), plain, atol=1e-9)


def test_weights_count_as_repeated_points():
    rng = np.random.default_rng(3)
    source, target = rng.uniform(0, 100, (2, 8, 2))
    times = np.arange(1, 9)
    once = affine(source, target, times.astype(float))
    np.testing.assert_allclose(
        once, affine(source.repeat(times, 0), target.repeat(times, 0), np.ones(36)), atol=1e-8
    )


def test_fields_of_the_sphere_match_through_tangent_planes():
    """Two pointings 0.2 deg apart of one field, projected by ERFA's tpxes."""
    # ERFA's own test value first: tpxes(1.3, 1.55, 2.3, 1.5)
    assert erfa.tpxes(1.3, 1.55, 2.3, 1.5)[:2] == pytest.approx((-0.0175320098, 0.0596294001), abs=1e-9)
    rng = np.random.default_rng(4)
    ra, dec = 1.0 + rng.uniform(-0.012, 0.012, 150), 0.7 + rng.uniform(-0.008, 0.008, 150)
    scale = np.radians(2.0 / 3600)
    lists = [
        np.column_stack(erfa.tpxes(ra, dec, 1.0 + shift, 0.7)[:2]) / scale + 700
        for shift in (0.0, np.radians(0.2))
    ]
    found = match(lists[0], lists[1], np.ones(150))
    assert found is not None
    assert len(found.source_index) == 150
    np.testing.assert_array_equal(found.source_index, found.target_index)
    # what is not affine between the two planes is theta^2 x shift: 0.014^2 x 0.0035 rad x 1e5 px/rad = 0.07 px
    assert found.rms_px < 0.07


def _case(seed):
    rng = np.random.default_rng(seed)
    count, scale, turn = rng.integers(25, 200), rng.uniform(0.4, 2.5), rng.uniform(0, 2 * np.pi)
    c, s = scale * np.cos(turn), scale * np.sin(turn)
    linear = np.array([[c, -s], [s, c]]) @ np.diag([1, rng.choice([-1, 1])])
    source = rng.uniform(0, 1500, (count, 2))
    target = (source @ linear.T + rng.uniform(-300, 300, 2))[rng.random(count) < 0.8]
    target += rng.normal(0, 0.1, target.shape)
    strangers = rng.uniform(target.min(axis=0), target.max(axis=0), (count // 4, 2))
    both = np.vstack([target, strangers])
    # brightness of the two frames differs by noise, so the order is only roughly the same
    order = np.argsort(np.arange(len(both)) % len(target) + rng.normal(0, 5, len(both)))
    return source, both[order], linear


@pytest.mark.parametrize("seed", range(30))
def test_any_turn_scale_and_mirror_is_found(seed):
    source, target, linear = _case(seed)
    found = match(source, target, np.ones(len(source)))
    assert found is not None
    np.testing.assert_allclose(found.matrix[:, :2], linear, atol=5e-4)
    assert found.rms_px < 0.13


@pytest.mark.parametrize(("first", "second", "side"), [(200, 220, 1500), (60, 80, 600), (12, 150, 800)])
def test_random_fields_do_not_match(first, second, side):
    rng = np.random.default_rng(5)
    for _ in range(20):
        a, b = rng.uniform(0, side, (first, 2)), rng.uniform(0, side, (second, 2))
        assert match(a, b, np.ones(first)) is None


def test_order_of_the_target_does_not_matter():
    source, target, _ = _case(3)
    turned = np.random.default_rng(6).permutation(len(target))
    # all stars form triangles, so the list as a whole is the same
    first = match(source, target, np.ones(len(source)), brightest=400)
    second = match(source, target[turned], np.ones(len(source)), brightest=400)
    np.testing.assert_allclose(first.matrix, second.matrix, atol=1e-9)
    np.testing.assert_array_equal(first.target_index, turned[second.target_index])


def test_a_target_star_is_used_once():
    rng = np.random.default_rng(7)
    target = rng.uniform(0, 800, (40, 2))
    source = np.vstack([target, target[:5] + 0.6])
    found = match(source, target, np.ones(45))
    assert len(np.unique(found.target_index)) == len(found.target_index)
    np.testing.assert_array_equal(found.source_index, found.target_index)


@pytest.mark.parametrize("count", [0, 1, 2, 3])
def test_too_few_stars(count):
    points = np.random.default_rng(8).uniform(0, 100, (40, 2))
    assert match(points[:count], points, np.ones(count)) is None
    assert match(points, points[:count], np.ones(40)) is None


def test_stars_in_a_row_or_in_one_place_match_nothing():
    """A row of detections along a trail does not tell a frame from its mirror image."""
    random = np.random.default_rng(1)
    row = np.column_stack([np.sort(random.uniform(0, 1000, 30)), np.full(30, 5.0)])
    slanted = np.column_stack([row[:, 0], 0.5 * row[:, 0] + random.normal(0, 0.1, 30)])
    for points in (row, slanted, np.full((10, 2), 7.0)):
        assert match(points, points, np.ones(len(points))) is None


def test_few_stars_in_a_corner_do_not_bend_the_map():
    """Seven stars within 300 px of a corner of a large frame: an affine map would miss the far corner by pixels."""
    random = np.random.default_rng(2)
    miss, doubt = [], []
    for _ in range(40):
        place = random.uniform(0, 300, (7, 2))
        found = match(
            place + random.normal(0, 0.15, (7, 2)),
            place + [12.0, -8.0],
            np.full(7, 0.15**-2),
            size=(3001, 2001),
        )
        if found is None:
            continue
        x, y = apply(found.matrix, np.array([3000.0]), np.array([2000.0]))
        miss.append(np.hypot(x[0] - 3012, y[0] - 1992))
        doubt.append(found.corner_px)
    assert len(miss) > 20
    # The stated error is per axis; the miss along both has a median of 1.18 of it (Rayleigh distribution).
    assert 0.7 < np.median(miss) / np.median(doubt) / 1.177 < 1.4
    assert np.median(miss) < 2.5


def test_four_stars_that_are_all_there_are_enough():
    source = np.array([[10.0, 10.0], [400.0, 80.0], [150.0, 500.0], [520.0, 610.0]])
    found = match(source, source + [3.0, -7.0], np.ones(4))
    np.testing.assert_allclose(found.matrix, [[1, 0, 3], [0, 1, -7]], atol=1e-9)
