"""Sky cells against numpy and scipy, and on frames that hardly are frames."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.interpolate import RegularGridInterpolator
from scipy.stats import norm

from fourlight.core.cfa import plane_map
from fourlight.core.skycells import FEW, Excess, cell_levels, filled, interpolated_many
from fourlight.core.skylevel import LEVEL_VARIANCE

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


def slow_level(values, step):
    """Slow: a mean with weight (1 - d^2 / 16 w^2)^8, w from the lower half of what is not above median + 3 sigma.

    Of many values only a seventh says where to look for it.
    """
    some = values[:: 7 if len(values) >= FEW else 1]
    values, kept = values[np.isfinite(values)], np.sort(some[np.isfinite(some)])
    for _ in range(3):
        median = np.median(kept)
        sigma = max(median - kept[int(0.1587 * len(kept))], 0.5 * step)
        below = kept[kept <= median + 3 * sigma + 1e-12]
        if len(below) == len(kept):
            break
        kept = below
    first, second, third = (kept[k * (len(kept) // 4) :][: len(kept) // 4] for k in range(3))
    third = kept[len(kept) - 2 * len(first) : len(kept) - len(first)]
    # Means of the quarters of a normal distribution: scipy.stats.norm tells them.
    quarters = (norm.pdf(norm.ppf(0.25)) - (norm.pdf(0) - norm.pdf(norm.ppf(0.25)))) / 0.25
    sigma = max((second.mean() - first.mean()) / quarters, 0.5 * step)
    centre, width = (second.mean() + third.mean()) / 2, max(1.5 * sigma, 1.25 * step)
    for _ in range(3):
        weight = np.maximum(1 - (values - centre) ** 2 / (16 * width**2), 0) ** 8
        move = (1 + (sigma / width) ** 2) * np.average(values - centre, weights=weight)
        centre += move
        if abs(move) < 0.1 * sigma:
            break
    return centre


@pytest.mark.parametrize(
    ("shape", "side"), [((131, 205), 32), ((131, 205), 60), ((64, 64), 64), ((50, 33), 12), ((40, 37), 16)]
)
@pytest.mark.parametrize("step", [0.0, 12.0])
def test_level_is_that_of_a_slow_version(shape, side, step):
    rng = np.random.default_rng(11)
    image = rng.normal(300, 12, shape).astype(np.float32)
    image[rng.random(shape) < 0.1] += rng.uniform(0, 5000)
    image[rng.random(shape) < 0.2] = np.nan
    image[: shape[0] // 3, : shape[1] // 3] = np.nan
    image[-1, -1] = np.inf
    image = step * np.rint(image / step) if step else image
    found = cell_levels(image.astype(np.float32), CELL, side, step)
    for j, i, rows, columns in cells_of(image, *found.shape[1:]):
        for dy, dx in np.ndindex(2, 2):
            part = image[np.ix_(rows[rows % 2 == dy], columns[columns % 2 == dx])].ravel()
            count = np.isfinite(part).sum()
            enough = count >= 4 and 4 * count >= part.size
            expected = slow_level(part.astype(np.float64), step) if enough else np.nan
            np.testing.assert_allclose(found[CELL[dy, dx], j, i], expected, atol=1e-3)


STEP_BIAS = {0.4: 0.06, 0.6: 0.02, 1.4: 0.015, 4.0: 0.03}
"""By noise in steps. The mean itself is bent by up to exp(-2 pi^2 sigma^2) / pi of rounding (Widrow and Kollar,
Quantization Noise, 2008): 0.014 at 0.4. The rest allows for the weight and three standard errors of 256 cells."""


@pytest.mark.parametrize("above", [0.0, 0.25, 0.5])
@pytest.mark.parametrize("sigma", STEP_BIAS)
@pytest.mark.parametrize("response", [0.0, 0.005])
def test_levels_of_whole_numbers_move_with_the_sky(above, sigma, response):
    """Rounded samples as they are, and behind a flat, which moves whole numbers apart by less than a step."""
    rng = np.random.default_rng(21)
    sky, shape = 20 + above, (1024, 1024)
    flat = 1 + response * rng.standard_normal(shape)
    exact = sky * flat + sigma * rng.standard_normal(shape)
    levels = cell_levels((np.rint(exact) / flat).astype(np.float32), CELL, 64, 1.0)
    unrounded = cell_levels((exact / flat).astype(np.float32), CELL, 64)
    assert np.mean(levels) == pytest.approx(sky, abs=STEP_BIAS[sigma])
    assert np.std(levels) < 1.1 * np.hypot(np.std(unrounded), 0.289 / 32) + 0.005


def test_coarser_steps_and_other_units_give_the_same():
    image = np.rint(np.random.default_rng(22).normal(50.3, 0.7, (256, 256))).astype(np.float32)
    found = cell_levels(image, CELL, 64, 1.0)
    np.testing.assert_allclose(cell_levels(4 * image, CELL, 64, 4.0), 4 * found, rtol=1e-5)


def test_variance_of_a_level_is_the_integral():
    """Asymptotic variance of an M-estimate (Huber, Robust Statistics, 1981, 3.2), by scipy's integration."""

    def pull(x):
        return x * max(1 - x * x / (16 * 1.5**2), 0) ** 8

    top = quad(lambda x: pull(x) ** 2 * norm.pdf(x), -6, 6)[0]
    bottom = quad(lambda x: pull(x) * x * norm.pdf(x), -6, 6)[0]
    assert pytest.approx(top / bottom**2, abs=1e-3) == LEVEL_VARIANCE


def clipped_median(values):
    """Slow: cut what lies above median + 3 sigma, sigma from the lower half, three times."""
    values = np.sort(values, axis=None)
    for _ in range(3):
        median = np.median(values)
        values = values[values <= median + 3 * (median - values[int(0.1587 * len(values))])]
    return np.median(values)


def test_faint_stars_bend_the_level_no_more_than_a_median():
    """Stars from a third of the noise up, as many more of the fainter ones as in the sky; a median cut off above."""
    rng = np.random.default_rng(23)
    image = rng.normal(500, 10, (512, 512)).astype(np.float32)
    peak = 3 * (1 - rng.random(2_500)) ** (-1 / 0.6)
    x, y = rng.uniform(0, 511, (2, 2_500))
    dy, dx = np.mgrid[-4:5, -4:5]
    rows, columns = (np.rint(place).astype(int)[:, None, None] + d for place, d in ((y, dy), (x, dx)))
    light = np.minimum(peak, 3000)[:, None, None] * np.exp(
        -((rows - y[:, None, None]) ** 2 + (columns - x[:, None, None]) ** 2) / (2 * 1.3**2)
    )
    inside = (rows >= 0) & (rows < 512) & (columns >= 0) & (columns < 512)
    np.add.at(image, (rows[inside], columns[inside]), light[inside].astype(np.float32))
    medians = [
        clipped_median(image[j : j + 64, i : i + 64][dy::2, dx::2])
        for j, i in np.ndindex(512, 512) if j % 64 == i % 64 == 0
        for dy, dx in np.ndindex(2, 2)
    ]  # fmt: skip
    bent, of_median = np.mean(cell_levels(image, CELL, 64)) - 500, np.mean(medians) - 500
    assert 0.3 < of_median < 5
    assert bent < 1.1 * of_median


def test_stars_and_missing_samples_do_not_bend_the_level():
    rng = np.random.default_rng(2)
    image = rng.normal(500, 10, (512, 512)).astype(np.float32)
    clean = cell_levels(image, CELL, 64)
    assert np.std(clean) == pytest.approx(10 * np.sqrt(LEVEL_VARIANCE / 1024), rel=0.15)
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
