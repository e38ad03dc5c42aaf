"""Sky cells against numpy and scipy, and on frames that hardly are frames."""

import numpy as np
import pytest
from scipy.interpolate import RegularGridInterpolator

from fourlight.core.cfa import plane_map
from fourlight.core.skycells import Excess, cell_levels, filled, interpolated_many

CELL = plane_map("RGGB")


def cells_of(image, my, mx):
    ny, nx = image.shape
    for j in range(my):
        for i in range(mx):
            rows, columns = (
                np.arange(j * ny // my, (j + 1) * ny // my),
                np.arange(i * nx // mx, (i + 1) * nx // mx),
            )
            yield j, i, rows, columns


@pytest.mark.parametrize("shape", [(128, 192), (131, 201), (70, 65)])
def test_level_is_the_median_of_the_samples_of_a_plane(shape):
    """A slow numpy version; values of -1, 0, 1 in few outliers leave nothing to cut off."""
    rng = np.random.default_rng(1)
    image = rng.integers(-3, 4, shape).astype(np.float32)
    found = cell_levels(image, CELL, 32)
    assert found.shape == (4, shape[0] // 32, shape[1] // 32)
    for j, i, rows, columns in cells_of(image, *found.shape[1:]):
        for dy, dx in np.ndindex(2, 2):
            part = image[np.ix_(rows[rows % 2 == dy], columns[columns % 2 == dx])]
            assert found[CELL[dy, dx], j, i] == np.median(part)


def clipped_median(values):
    """Slow: cut what lies above median + 3 sigma, sigma from the lower half, three times."""
    values = np.sort(values[~np.isnan(values)])
    for _ in range(3):
        median = np.median(values)
        kept = values[values <= median + 3 * (median - values[int(0.1587 * len(values))] + 1e-12)]
        if len(kept) == len(values):
            return median
        values = kept
    return values[len(values) // 2]


@pytest.mark.parametrize(("shape", "side"), [((131, 205), 32), ((64, 64), 64), ((50, 33), 8), ((40, 37), 16)])
def test_level_is_the_clipped_median_of_a_slow_version(shape, side):
    rng = np.random.default_rng(11)
    image = rng.normal(300, 12, shape).astype(np.float32)
    image[rng.random(shape) < 0.1] += rng.uniform(0, 5000)
    image[rng.random(shape) < 0.2] = np.nan
    image[: shape[0] // 3, : shape[1] // 3] = np.nan
    found = cell_levels(image, CELL, side)
    for j, i, rows, columns in cells_of(image, *found.shape[1:]):
        for dy, dx in np.ndindex(2, 2):
            part = image[np.ix_(rows[rows % 2 == dy], columns[columns % 2 == dx])]
            count = np.isfinite(part).sum()
            enough = count >= 4 and 4 * count >= part.size
            expected = clipped_median(part.astype(np.float64)) if enough else np.nan
            np.testing.assert_allclose(found[CELL[dy, dx], j, i], expected, rtol=1e-6)


def test_stars_and_missing_samples_do_not_bend_the_level():
    # The median has n var / sigma^2 = pi / 2 (EXTERNAL CHECKS S13): 1024 samples of sigma 10 give 0.39.
    rng = np.random.default_rng(2)
    image = rng.normal(500, 10, (512, 512)).astype(np.float32)
    clean = cell_levels(image, CELL, 64)
    assert np.std(clean) == pytest.approx(10 * np.sqrt(np.pi / 2 / 1024), rel=0.15)
    image[rng.random(image.shape) < 0.05] += 3000
    image[rng.random(image.shape) < 0.3] = np.nan
    dirty = cell_levels(image, CELL, 64)
    # 5 % of bright samples would move a plain median by 0.063 sigma; what is left of that must be under half.
    assert abs(np.mean(dirty) - 500) < 0.03 * 10


def test_cells_without_enough_samples_are_nan_and_can_be_filled():
    image = np.full((64, 64), 4.0, dtype=np.float32)
    image[:32, :32] = np.nan
    image[0, 0] = 9.0
    found = cell_levels(image, CELL, 32)
    assert np.isnan(found[:, 0, 0]).all()
    assert np.isfinite(found[:, 1, 1]).all()
    assert (filled(found) == 4).all()
    assert (filled(np.full((4, 2, 2), np.nan, dtype=np.float32)) == 0).all()


@pytest.mark.parametrize("shape", [(1, 1), (2, 2), (24, 24), (3, 200)])
def test_tiny_frames_have_at_least_one_cell(shape):
    found = cell_levels(np.full(shape, 5.0, dtype=np.float32), CELL, 32)
    assert found.shape[1:] == (max(1, shape[0] // 32), max(1, shape[1] // 32))
    assert np.isin(found[np.isfinite(found)], 5.0).all()


def test_interpolation_equals_scipy_between_cell_centres():
    rng = np.random.default_rng(3)
    ny, nx, my, mx = 200, 310, 5, 7
    level = rng.normal(100, 5, (my, mx)).astype(np.float32)
    centres = (np.arange(my) + 0.5) * ny / my - 0.5, (np.arange(mx) + 0.5) * nx / mx - 0.5
    y = rng.uniform(centres[0][0], centres[0][-1], 500)
    x = rng.uniform(centres[1][0], centres[1][-1], 500)
    expected = RegularGridInterpolator(centres, level)(np.column_stack([y, x]))
    np.testing.assert_allclose(interpolated_many(level, ny, nx, x, y), expected, rtol=1e-6)
    outside = interpolated_many(level, ny, nx, np.array([-50.0, 900.0]), np.array([-50.0, 900.0]))
    np.testing.assert_allclose(outside, [level[0, 0], level[-1, -1]])


def test_a_plane_through_the_cells_is_taken_off_without_rest():
    ny, nx = 128, 192
    y, x = np.mgrid[:ny, :nx].astype(float)
    sky = (
        np.array([100.0, 200.0, 210.0, 300.0])[CELL[y.astype(int) % 2, x.astype(int) % 2]] + 0.1 * x + 0.2 * y
    )
    image = sky.astype(np.float32)
    image[5, 5] = np.nan
    levels = cell_levels(image, CELL, 32)
    rest = np.empty_like(image)
    Excess.above(image, levels, CELL, np.array([1.0, 2.0, 2.0, 4.0])).fill(0, rest, 0.0)
    assert rest[5, 5] == 0
    inner = rest[32:-32, 32:-32]
    # a cell's plane has a median at its samples' centre, half a sample off the cell's own: 0.15 at most
    assert np.abs(inner).max() < 0.2
    assert rest[40, 41] == pytest.approx((image[40, 41] - 200 - 0.1 * 41 - 0.2 * 40) / 2, abs=0.1)


@pytest.mark.parametrize("cells", [(1, 1), (1, 5), (4, 3)])
def test_excess_is_that_of_each_sample_over_the_interpolated_level(cells):
    rng = np.random.default_rng(12)
    ny, nx = 37, 50
    image = rng.normal(100, 5, (ny, nx)).astype(np.float32)
    image[rng.random(image.shape) < 0.1] = np.nan
    levels, noise = rng.normal(90, 5, (4, *cells)).astype(np.float32), np.array([1.0, 2.0, 3.0, 4.0])
    found = np.empty((ny + 5, nx), dtype=np.float32)
    Excess.above(image, levels, CELL, noise).fill(-2, found)
    assert np.isnan(found[:2]).all()
    assert np.isnan(found[-3:]).all()
    y, x = np.mgrid[:ny, :nx].astype(float)
    expected = np.empty((ny, nx))
    for plane in range(4):
        own = CELL[y.astype(int) % 2, x.astype(int) % 2] == plane
        level = interpolated_many(levels[plane], ny, nx, x[own], y[own])
        expected[own] = (image[own] - level) / noise[plane]
    np.testing.assert_allclose(found[2:-3], expected, atol=3e-5)


def test_excess_of_missing_samples_is_what_is_asked_for():
    image = np.full((6, 8), np.nan, dtype=np.float32)
    out = np.empty((8, 8), dtype=np.float32)
    Excess.above(image, np.zeros((4, 1, 1), np.float32), CELL, np.ones(4)).fill(-1, out, 0.0)
    assert (out == 0).all()
