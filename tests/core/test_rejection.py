"""Deviations and residuals against scipy's interpolation and the normal distribution."""

import numpy as np
import pytest
from scipy.ndimage import map_coordinates, uniform_filter

from fourlight.core.bends import apply, straight
from fourlight.core.cfa import plane_map
from fourlight.core.lanes import LANES
from fourlight.core.rejection import deviations, residuals

CELL = plane_map("RGGB")
SHAPE = (40, 50)
MATRIX = np.array([[0.98, 0.05, 3.2], [-0.05, 0.98, 6.1]])
FLOOR = np.full(4, 1e-3)


def smooth_reference(width=64):
    rng = np.random.default_rng(1)
    ref = np.stack([uniform_filter(rng.normal(100, 20, (60, width)), 5) for _ in range(4)]).astype(np.float32)
    return ref, np.zeros_like(ref), np.zeros_like(ref)


def judged(z, ref, scatter, ranges, *, bend=None, tolerance=0.7, frames=10**7, least=0.0, used=None):
    flat = [np.full(z.shape, v, dtype=np.float32) for v in (4.0, 0.5)]
    many = np.full(ref.shape, frames, dtype=np.int32)
    four = np.repeat((straight(MATRIX) if bend is None else bend)[None], 4, axis=0)
    used = np.zeros(4, dtype=np.int64) if used is None else used
    return deviations(
        z, *flat, 0, 0, four, CELL, ref, scatter, many, ranges, 0, 0, FLOOR, tolerance, least, used
    )


def interpolated(z, ref, bend):
    """Reference of each sample's plane at its place (NaN outside), by scipy, and the place."""
    y, x = np.mgrid[: z.shape[0], : z.shape[1]].astype(float)
    u, v = apply(bend, x, y)
    planes = np.stack([map_coordinates(r.astype(float), [v, u], order=1, cval=np.nan) for r in ref])
    inside = (u >= 0) & (v >= 0) & (u <= ref.shape[2] - 1) & (v <= ref.shape[1] - 1)
    plane = CELL[y.astype(int) % 2, x.astype(int) % 2]
    return np.where(inside, np.take_along_axis(planes, plane[None], 0)[0], np.nan), u, v


@pytest.mark.parametrize("curved", [0.0, 2e-5])
@pytest.mark.parametrize("shape", [SHAPE, (9, 2 * LANES + 70), (7, 1)])
def test_deviation_is_the_distance_from_the_interpolated_reference(shape, curved):
    ref, scatter, ranges = smooth_reference(width=max(64, shape[1]))
    z = np.random.default_rng(2).normal(100, 10, shape).astype(np.float32)
    z[::3, ::5] = np.nan
    bend = straight(MATRIX)
    bend[0, 2, 0], bend[1, 2, 0] = curved, -curved / 4
    used = np.ones(4, dtype=np.int64)
    found = judged(z, ref, scatter, ranges, bend=bend, used=used)
    expected, *_ = interpolated(z, ref, bend)
    truth = np.nan_to_num((z - expected) / np.sqrt(4 + 0.5 * expected))
    np.testing.assert_allclose(found, truth, atol=2e-4)
    there = np.isfinite(z)
    y, x = np.nonzero(there)
    np.testing.assert_array_equal(used, 1 + np.bincount(CELL[y % 2, x % 2], minlength=4))


def test_what_is_left_out_is_less_than_was_asked_for():
    ref, scatter, ranges = smooth_reference()
    scatter[:] = np.random.default_rng(3).uniform(0, 12, ref.shape)
    z = np.random.default_rng(4).normal(100, 20, SHAPE).astype(np.float32)
    every = judged(z, ref, scatter, ranges)
    some = judged(z, ref, scatter, ranges, least=1.8)
    kept = some != 0
    np.testing.assert_array_equal(some[kept], every[kept])
    assert np.abs(every[~kept]).max() < 1.8
    assert 0.1 < kept.mean() < 0.9


def test_beside_missing_pixels_the_nearest_counts():
    ref, scatter, ranges = smooth_reference()
    ref[:, ::7, ::6] = np.nan
    z = np.random.default_rng(5).normal(100, 10, SHAPE).astype(np.float32)
    bend = straight(MATRIX + [[0, 0, 3e-3], [0, 0, 4e-3]])  # no sample halfway between two pixels
    found = judged(z, ref, scatter, ranges, bend=bend)
    smooth, u, v = interpolated(z, ref, bend)
    with np.errstate(invalid="ignore"):
        inside = (u >= 0) & (v >= 0) & (u <= 63) & (v <= 59)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    near = ref[CELL[y % 2, x % 2], np.rint(v).astype(int).clip(0, 59), np.rint(u).astype(int).clip(0, 63)]
    expected = np.where(np.isnan(smooth) & inside, near, smooth)
    assert (np.isnan(smooth) & np.isfinite(expected)).sum() > 50
    truth = np.nan_to_num((z - expected) / np.sqrt(4 + 0.5 * expected))
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
    # median of n normal values: pi / 2 n of their variance (asymptotic theory); of one frame nothing is told
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
    assert not judged(z, ref, scatter, ranges, bend=straight(far)).any()
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
