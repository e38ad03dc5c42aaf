"""Masks of rejected samples against scipy's neighbours, the normal distribution and painted trails."""

import numpy as np
import pytest
from scipy.ndimage import convolve

from fourlight.core.bends import straight
from fourlight.core.cfa import plane_map
from fourlight.core.rejected import grown, tally

CELL = plane_map("RGGB")


@pytest.mark.parametrize(("limit", "share"), [(2.0, 0.04550), (3.0, 0.002700)])
def test_share_of_noise_beyond_the_limit(limit, share):
    # 4.550 % beyond 2 sigma, 0.2700 % beyond 3 (normal distribution); what grows comes on top
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


@pytest.mark.parametrize("scale", [1.0, 2.0, 3.5])
@pytest.mark.parametrize("shape", [(70, 90), (1, 40), (3, 3)])
def test_neighbours_are_those_that_scipy_counts(shape, scale):
    deviation = np.random.default_rng(8).normal(0, scale, shape).astype(np.float32)
    expected, far = np.abs(deviation) > 4.5, np.abs(deviation) > 0.4 * 4.5
    for _ in range(3):
        near = convolve(expected.astype(int), np.ones((5, 5), int), mode="constant")
        expected = expected | (far & (near >= 3))
    mask, count = grown(deviation, 4.5)
    np.testing.assert_array_equal(mask, expected)
    assert count == expected.sum()


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
    counts, totals = np.zeros((30, 32), np.float32), np.ones(4, dtype=np.int64)
    tally(mask, z, 0, 0, np.repeat(straight(matrix)[None], 4, axis=0), CELL, 10, 12, counts, totals)
    expected = np.zeros_like(counts)
    for y, x in zip(*np.nonzero((mask == 1) & np.isfinite(z)), strict=True):
        j, i = x + 3 - 10, 50 - y - 12
        if 0 <= j < 30 and 0 <= i < 32:
            expected[j, i] += 1
    np.testing.assert_array_equal(counts, expected)
    assert counts.sum() > 50
    y, x = np.nonzero((mask == 1) & np.isfinite(z))
    np.testing.assert_array_equal(totals, 1 + np.bincount(CELL[y % 2, x % 2], minlength=4))
