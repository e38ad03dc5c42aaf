"""Reference of a tile: numpy's median and astropy's scatter of the samples that scipy finds nearest."""

import runpy
from pathlib import Path

import numpy as np
import pytest
from astropy.stats import mad_std
from scipy.spatial import KDTree

from fourlight.core import bends
from fourlight.core.cfa import plane_map
from fourlight.core.lanes import LANES
from fourlight.core.networks import merging_network
from fourlight.core.reference import reference

fields = runpy.run_path(str(Path(__file__).parents[1] / "fields.py"))
CELL = plane_map("GBRG")
IDENTITY = [[1.0, 0, 0], [0, 1.0, 0]]


def referred(images, unbend, shape, plane=0, origins=None, offset=(0, 0), around=0.0):
    """Reference, scatter and number of frames; frames are rectangles from ``origins`` (y, x) on."""
    origins = np.zeros((len(images), 2), dtype=np.int64) if origins is None else np.array(origins)
    sizes = np.array([image.size for image in images])
    height, width = (np.array([image.shape[k] for image in images]) for k in (0, 1))
    buffer = np.concatenate([np.ravel(image) for image in images]).astype(np.float32)
    ref, scatter = np.empty(shape, dtype=np.float32), np.empty(shape, dtype=np.float32)
    behind = np.empty(shape, dtype=np.int32)
    y0, x0 = (np.ascontiguousarray(part) for part in origins.T)
    top, left = ((np.argwhere(plane == CELL)[0] - origins) % 2).T.copy()
    reference(
        buffer, np.cumsum(sizes) - sizes, height, width, y0, x0, np.asarray(unbend), top, left, *offset,
        merging_network(len(images)), around, ref, scatter, behind,
    )  # fmt: skip
    np.testing.assert_array_equal(behind > 0, np.isfinite(ref))
    return ref, scatter, behind


def nearest(image, origin, unbend, shape, plane, offset):
    """The sample of the plane nearest to each pixel: lattice points around the frame have none."""
    rim = 6
    y, x = np.mgrid[-rim : image.shape[0] + rim, -rim : image.shape[1] + rim]
    own = CELL[(y + origin[0]) % 2, (x + origin[1]) % 2] == plane
    values = np.pad(image, rim, constant_values=np.nan)[own]
    v, u = np.mgrid[offset[0] : offset[0] + shape[0], offset[1] : offset[1] + shape[1]]
    at = np.column_stack(bends.apply(unbend, u.ravel().astype(float), v.ravel().astype(float)))
    away, index = KDTree(np.column_stack([x[own] + origin[1], y[own] + origin[0]])).query(at)
    return np.where(away < 1.5, values[index], np.nan).reshape(shape)


def middles(values):
    """Median and scatter (n,) of each column of (f, n)."""
    found = []
    for column in values.T:
        there = np.sort(column[~np.isnan(column)])
        n = len(there)
        # Under six samples the lower of the two middle ones: outliers are mostly bright.
        middle = np.nan if n == 0 else there[(n - 1) // 2] if n < 6 else np.median(there)
        found.append((middle, mad_std(there.astype(float)) if n >= 5 else 0.0))
    return np.array(found).T


@pytest.mark.parametrize("count", [1, 2, 3, 4, 5, 6, 8, 9, 16, 17, 24, 49, 60])
@pytest.mark.parametrize("plane", [0, 3])
def test_reference_is_numpys_median_of_the_nearest_samples(count, plane):
    """Frames of other sizes and places, turned, bent, some beside the tile; more columns than are done at once."""
    rng = np.random.default_rng(count)
    shape, offset = (9, LANES + 30), (5, 3)
    images, origins, unbend = [], [], []
    for k in range(count):
        image = rng.normal(100, 10, (rng.integers(8, 24), rng.integers(120, 300)))
        image[rng.random(image.shape) < 0.1] = np.nan
        images.append(image.astype(np.float32))
        origins.append(rng.integers(0, 12, 2))
        matrix = fields["turned"](
            180.0 * (k % 3 == 2) + rng.normal(0, 0.5), 1.0, rng.uniform(-3, 3, 2), (140, 9)
        )
        bend = bends.straight(matrix)
        if k % 2:
            bend[0, 2, 0], bend[1, 1, 1], bend[1, 3, 0] = 2e-5, 1e-5, 1e-8
        unbend.append(bend)
    ref, scatter, behind = referred(images, unbend, shape, plane, origins, offset)
    parts = zip(images, origins, unbend, strict=True)
    values = np.stack([nearest(*part, shape, plane, offset) for part in parts])
    middle, wide = middles(values.reshape(count, -1))
    np.testing.assert_array_equal(behind, np.isfinite(values).sum(axis=0))
    np.testing.assert_allclose(ref, middle.reshape(shape), rtol=1e-6)
    # scatter is a difference of values of about 100, which float32 holds to 4e-6
    np.testing.assert_allclose(scatter, wide.reshape(shape), rtol=2e-4, atol=1e-5)


@pytest.mark.parametrize("count", [0, 1, 7, 8, 9, 15, 16, 17, 24, 31, 33, 60, 100, 129])
def test_the_network_sorts_every_column(count):
    """A network sorts all numbers if it sorts all zeros and ones (Knuth, 5.3.4, theorem Z); here numbers of both."""
    rng = np.random.default_rng(count)
    values = np.vstack(
        [rng.normal(size=(count, 400)), np.full((-count % 8, 400), np.inf)],
    )
    values[:, 200:] = np.where(
        values[:, 200:] == np.inf, np.inf, rng.random(values[:, 200:].shape) < rng.random(200)
    )
    truth = np.sort(values, axis=0)
    values = np.vstack([np.sort(part, axis=0) for part in np.split(values, max(len(values) // 8, 1))])
    for low, high, pairs in merging_network(count):
        first, second = values[low : low + pairs].copy(), values[high : high + pairs].copy()
        assert low + pairs <= high
        assert high + pairs <= count
        values[low : low + pairs], values[high : high + pairs] = (
            np.minimum(first, second),
            np.maximum(first, second),
        )
    np.testing.assert_array_equal(values, truth)


def test_noise_of_the_reference_is_that_of_a_median():
    # n var(median) / sigma^2 = 1.4949 at n = 9, 1.5385 at n = 21, integrals over the order statistic
    for count, expected in ((9, 1.4949), (21, 1.5385)):
        images = np.random.default_rng(count).normal(0, 1, (count, 160, 160)).astype(np.float32)
        ref, *_ = referred(images, bends.straight(np.array([IDENTITY] * count)), (160, 160))
        own = ref[1::2, ::2]
        assert count * np.var(own) == pytest.approx(expected, rel=0.05)


def test_order_of_the_frames_does_not_matter():
    rng = np.random.default_rng(5)
    images = rng.normal(0, 1, (12, 30, 30)).astype(np.float32)
    turns = rng.uniform(0, 360, 12)
    unbend = bends.straight(
        np.array([fields["turned"](turn, 1.1, rng.uniform(-3, 3, 2), (15, 15)) for turn in turns])
    )
    order = rng.permutation(12)
    first, second = referred(images, unbend, (30, 30)), referred(images[order], unbend[order], (30, 30))
    np.testing.assert_array_equal(first, second)


def test_frames_of_other_sizes_and_no_samples():
    images = [np.full((6, 8), 3.0), np.full((3, 3), np.nan)]
    ref, scatter, behind = referred(images, bends.straight(np.array([IDENTITY] * 2)), (10, 12))
    # R stands at odd rows and even columns; where the nearest one would lie outside there is nothing
    assert (ref[:6, :7] == 3).all()
    assert np.isnan(ref[8:, 10:]).all()
    assert (scatter == 0).all()
    assert behind.max() == 1


def test_no_frame_covers_any_pixel():
    far = bends.straight(np.array([[[1.0, 0, 500], [0, 1.0, -900]]] * 9))
    ref, scatter, behind = referred(np.ones((9, 6, 8)), far, (10, 12))
    assert np.isnan(ref).all()
    assert not scatter.any()
    assert not behind.any()


@pytest.mark.parametrize("frames", [1, 2, 5, 8, 24])
@pytest.mark.parametrize("above", [0.0, 0.25, 0.5])
def test_reference_of_whole_numbers_moves_with_the_sky(frames, above):
    """At a noise of 0.6 steps the median is the nearest whole number; the mean around it is not."""
    rng, shape = np.random.default_rng(51), (120, 120)
    images = np.rint(50 + above + 0.6 * rng.standard_normal((frames, *shape)))
    images[0, ::7] += 400
    unbend = np.array([bends.straight(np.array(IDENTITY))] * frames)
    ref, scatter, _ = referred(images, unbend, shape, around=1.25)
    plain, same, _ = referred(images, unbend, shape)
    np.testing.assert_array_equal(scatter, same)
    clear = np.ix_(np.isin(np.arange(120) % 7, (2, 3, 4, 5)), np.arange(4, 116))
    off = np.mean(ref[clear][1:-1]) - 50 - above
    # a third of 3600 samples counts: three standard errors and the bend of the weight; few frames have bright outliers
    assert abs(off) < 0.04 + 3 * 0.67 / np.sqrt(frames * 3600 / 3)
    if frames == 24 and above == 0.25:
        assert abs(np.mean(plain[clear][1:-1]) - 50 - above) > 0.15


def test_reference_stays_apart_from_outliers_when_centred():
    images = np.full((3, 20, 20), 10.0)
    images[1], images[2] = 11.0, 500.0
    ref, _, _ = referred(images, np.array([bends.straight(np.array(IDENTITY))] * 3), (16, 16), around=1.25)
    np.testing.assert_allclose(ref[4:12, 4:12], 10.5, atol=0.05)
