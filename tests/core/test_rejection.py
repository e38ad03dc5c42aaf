"""Rejection against scipy's interpolation, the normal distribution and painted trails."""

import numpy as np
import pytest
from scipy.ndimage import map_coordinates, uniform_filter

from fourlight.core.bends import straight
from fourlight.core.cfa import plane_map
from fourlight.core.rejected import grown, tally
from fourlight.core.rejection import deviations, residuals

CELL = plane_map("RGGB")
SHAPE = (40, 50)
MATRIX = np.array([[0.98, 0.05, 3.2], [-0.05, 0.98, 6.1]])
FLOOR = np.full(4, 1e-3)


def smooth_reference(seed=1):
    rng = np.random.default_rng(seed)
    ref = np.stack([uniform_filter(rng.normal(100, 20, (60, 64)), 5) for _ in range(4)]).astype(np.float32)
    return ref, np.zeros_like(ref), np.zeros_like(ref)


def judged(z, ref, scatter, ranges, *, base=4.0, slope=0.5, tolerance=0.7, matrix=MATRIX, frames=None):
    flat = [np.full(z.shape, v, dtype=np.float32) for v in (base, slope)]
    many = np.full(ref.shape, 10**7 if frames is None else frames, dtype=np.int32)
    four = np.repeat(straight(matrix)[None], 4, axis=0)
    return deviations(z, *flat, 0, 0, four, CELL, ref, scatter, many, ranges, 0, 0, FLOOR, tolerance)


def test_deviation_is_the_distance_from_the_interpolated_reference():
    ref, scatter, ranges = smooth_reference()
    rng = np.random.default_rng(2)
    z = rng.normal(100, 10, SHAPE).astype(np.float32)
    found = judged(z, ref, scatter, ranges)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    u, v = (MATRIX[k, 0] * x + MATRIX[k, 1] * y + MATRIX[k, 2] for k in range(2))
    plane = CELL[y % 2, x % 2]
    expected = np.stack([map_coordinates(r.astype(float), [v, u], order=1, cval=np.nan) for r in ref])
    expected = np.take_along_axis(expected, plane[None], 0)[0]
    inside = (u >= 0) & (v >= 0) & (u <= 63) & (v <= 59)
    truth = np.where(inside, (z - expected) / np.sqrt(4 + 0.5 * expected), 0.0)
    np.testing.assert_allclose(found, truth, atol=2e-4)


def test_local_range_widens_what_is_allowed_and_scatter_the_noise():
    ref, scatter, ranges = smooth_reference()
    ref[:] = 100
    z = np.full(SHAPE, 130.0, dtype=np.float32)
    sigma = np.sqrt(4 + 0.5 * 100)
    inner = np.s_[10:30, 10:40]
    np.testing.assert_allclose(judged(z, ref, scatter, ranges)[inner], 30 / sigma, rtol=1e-5)
    ranges[:] = 20
    np.testing.assert_allclose(judged(z, ref, scatter, ranges)[inner], (30 - 0.7 * 20) / sigma, rtol=1e-5)
    np.testing.assert_allclose(judged(200 - z, ref, scatter, ranges)[inner], -(30 - 14) / sigma, rtol=1e-5)
    scatter[:] = 16
    np.testing.assert_allclose(judged(z, ref, scatter, ranges)[inner], 1.0, rtol=1e-5)
    ranges[:] = 50
    assert not judged(z, ref, scatter, ranges).any()


def test_a_reference_of_few_frames_is_uncertain_itself():
    # median of n normal values: pi / 2 n of their variance (EXTERNAL CHECKS S13); of one frame nothing is told
    ref, scatter, ranges = smooth_reference()
    ref[:] = 100
    z = np.full(SHAPE, 130.0, dtype=np.float32)
    sigma = np.sqrt(4 + 0.5 * 100)
    inner = np.s_[10:30, 10:40]
    for frames in (2, 8):
        found = judged(z, ref, scatter, ranges, frames=frames)[inner]
        np.testing.assert_allclose(found, 30 / sigma / np.sqrt(1 + np.pi / 2 / frames), rtol=1e-5)
    assert not judged(z, ref, scatter, ranges, frames=1).any()


def test_what_cannot_be_told_is_zero():
    ref, scatter, ranges = smooth_reference()
    z = np.full(SHAPE, 1e6, dtype=np.float32)
    z[5, 5] = np.nan
    far = MATRIX + [[0, 0, 500], [0, 0, 0]]
    assert not judged(z, ref, scatter, ranges, matrix=far).any()
    assert judged(z, ref, scatter, ranges)[5, 5] == 0
    assert not judged(z, np.full_like(ref, np.nan), scatter, ranges).any()
    assert judged(np.empty((0, 0), np.float32), ref, scatter, ranges).shape == (0, 0)


def test_residuals_of_flat_places_are_standard_normal():
    ref = np.full((60, 64), 80.0, dtype=np.float32)
    ranges = np.zeros_like(ref)
    ranges[:, 30:] = 5.0
    rng = np.random.default_rng(3)
    sigma = np.sqrt(4 + 0.5 * 80)
    z = np.concatenate([rng.normal(80, sigma, (60, 30)), np.full((60, 34), 1e4)], axis=1).astype(np.float32)
    base, slope = np.full_like(z, 4.0), np.full_like(z, 0.5)
    identity = np.array([[1.0, 0, 0], [0, 1.0, 0]])
    out = residuals(z, base, slope, 0, 0, straight(identity), CELL, 1, ref, ranges, 0, 0, 0.1, 1.0)
    assert len(out) == 15 * 30
    np.testing.assert_allclose(out, ((z[::2, 1::2][:, :15] - 80) / sigma).ravel(), rtol=1e-4, atol=1e-5)


@pytest.mark.parametrize(("limit", "share"), [(2.0, 0.04550), (3.0, 0.002700)])
def test_share_of_noise_beyond_the_limit(limit, share):
    # 4.550 % beyond 2 sigma, 0.2700 % beyond 3 (EXTERNAL CHECKS S15); what grows comes on top
    noise = np.random.default_rng(4).normal(0, 1, (1000, 1000)).astype(np.float32)
    beyond = np.abs(noise) > limit
    mask, count = grown(noise, limit)
    assert beyond.mean() == pytest.approx(share, rel=4 / np.sqrt(1e6 * share))
    assert mask[beyond].all()
    assert count == mask.sum()
    assert count >= beyond.sum()


def test_pure_noise_hardly_grows_at_the_threshold_of_the_recipe():
    noise = np.random.default_rng(5).normal(0, 1, (2000, 2000)).astype(np.float32)
    mask, count = grown(noise, 4.5)
    # beyond 4.5 sigma: 6.8e-6 of a normal distribution, 27 of 4e6, nowhere three together
    assert count == (np.abs(noise) > 4.5).sum()
    assert 10 < count < 50
    assert mask.sum() == count


def test_the_wings_of_a_trail_go_with_its_core():
    deviation = np.random.default_rng(6).normal(0, 1, (80, 120)).astype(np.float32)
    y, x = np.mgrid[:80, :120]
    across = np.abs(y - 20 - 0.3 * x) / np.hypot(1, 0.3)
    deviation += 12 * np.exp(-0.5 * (across / 1.2) ** 2)
    mask, _ = grown(deviation, 4.5)
    core, wing, far = across < 1.0, (across > 1.5) & (across < 2.2), across > 6
    assert mask[core].mean() > 0.98
    assert mask[wing].mean() > 1.3 * (np.abs(deviation[wing]) > 4.5).mean()
    assert mask[far].sum() == 0


def test_negative_trails_and_single_hits():
    deviation = np.zeros((30, 30), dtype=np.float32)
    deviation[10, 10] = 9
    deviation[10, 11] = 3
    mask, count = grown(deviation, 4.5)
    assert (count, mask[10, 10], mask[10, 11]) == (1, 1, 0)
    deviation[20, :] = -9
    deviation[21, :] = -3
    mask, count = grown(deviation, 4.5)
    assert mask[20:22].all()
    assert count == 61


@pytest.mark.parametrize("shape", [(0, 0), (1, 1), (3, 2)])
def test_tiny_masks(shape):
    mask, count = grown(np.full(shape, 10.0, dtype=np.float32), 4.5)
    assert mask.shape == shape
    assert count == mask.sum() == np.prod(shape)


def test_rejected_samples_are_counted_where_they_lie():
    rng = np.random.default_rng(17)
    mask = (rng.random((40, 44)) < 0.2).astype(np.int8)
    z = np.ones((40, 44), np.float32)
    z[::7] = np.nan
    matrix = np.array([[0.0, -1.0, 50.0], [1.0, 0.0, 3.0]])
    counts = np.zeros((30, 32), np.float32)
    tally(mask, z, 0, 0, np.repeat(straight(matrix)[None], 4, axis=0), CELL, 10, 12, counts)
    expected = np.zeros_like(counts)
    for y, x in zip(*np.nonzero((mask == 1) & np.isfinite(z)), strict=True):
        j, i = x + 3 - 10, 50 - y - 12
        if 0 <= j < 30 and 0 <= i < 32:
            expected[j, i] += 1
    np.testing.assert_array_equal(counts, expected)
    assert counts.sum() > 50
