"""Sky cells and the surface through them."""

import numpy as np
import pytest

from fourlight.core import background, levels


def sky(shape=(320, 480), seed=0, noise=3.0):
    y, x = np.mgrid[: shape[0], : shape[1]]
    v, u = y / shape[0], x / shape[1]
    level = 100 + 40 * u + 25 * v - 15 * u * v + 12 * u**2
    return level, (level + np.random.default_rng(seed).normal(size=shape) * noise).astype(np.float32)


def test_surface_equals_a_plain_least_squares_fit():
    # numpy.linalg.lstsq on the monomials of the same cells; without ridge both must agree
    _, image = sky()
    cells = levels.cell_levels(image, None, 40)
    surface = background.fit_surface(cells, np.isfinite(cells.level), 2, stiffness=0.0)
    y, x = np.meshgrid(*cells.centres(), indexing="ij")
    columns = np.stack([np.ones(y.size), *(p.ravel() for p in (y, x, y * y, x * y, x * x))], axis=1)
    solution = np.linalg.lstsq(columns, cells.level.ravel(), rcond=None)[0]
    np.testing.assert_allclose(surface.at(y, x).ravel(), columns @ solution, atol=1e-3)


def test_empty_sky_is_flat_after_subtraction():
    level, image = sky()
    cells = levels.cell_levels(image, None, 32)
    use = background.sky_cells(cells, 2)
    assert use.mean() > 0.9
    difference = background.fit_surface(cells, use, 2).image() - level
    assert np.abs(difference).max() < 0.5


@pytest.mark.parametrize("order", [1, 2])
def test_an_object_over_half_of_the_field_is_not_taken_for_sky(order):
    level, image = sky()
    y, x = np.mgrid[:320, :480]
    cloud = 60 * np.exp(-(((y - 150) / 90) ** 2 + ((x - 230) / 120) ** 2))
    cells = levels.cell_levels(image + cloud.astype(np.float32), None, 20)
    use = background.sky_cells(cells, order)
    surface = background.fit_surface(cells, use, order)
    error = surface.image() - level
    # its wings reach the border and look like curved sky: a sixth of the peak may go at order 2
    assert abs(error[150, 230]) < (0.1, 0.17)[order - 1] * 60
    assert not use[7, 11]
    assert error[cloud < 1].std() < 2.5


def test_cells_follow_the_median_and_its_error():
    # standard error of a median is sqrt(pi / 2) sigma / sqrt(n) (Kendall & Stuart)
    image = np.random.default_rng(1).normal(10, 2, (800, 800)).astype(np.float32)
    cells = levels.cell_levels(image, None, 20)
    assert cells.level.std() == pytest.approx(np.sqrt(np.pi / 2) * 2 / 20, rel=0.08)
    assert np.median(cells.error) == pytest.approx(cells.level.std(), rel=0.1)


def test_stars_and_masked_pixels_do_not_lift_a_cell():
    image = np.random.default_rng(1).normal(10, 1, (60, 60)).astype(np.float32)
    clean = levels.cell_levels(image, None, 30).level
    image[::7, ::5] = 5000
    mask = np.zeros(image.shape, dtype=bool)
    mask[:20, :20] = True
    image[:20, :20] = 900
    np.testing.assert_allclose(levels.cell_levels(image, mask, 30).level, clean, atol=0.25)


@pytest.mark.parametrize("shape", [(1, 1), (5, 3), (13, 40)])
def test_small_images_fall_back_to_a_lower_order(shape):
    image = np.full(shape, 7.0, dtype=np.float32)
    cells = levels.cell_levels(image, None, 12)
    surface = background.fit_surface(cells, background.sky_cells(cells, 4), 4)
    assert surface.order <= 1
    assert np.isfinite(surface.image()).all()


def test_nothing_usable_gives_no_cells_and_a_zero_surface():
    cells = levels.cell_levels(np.full((40, 40), np.nan, dtype=np.float32), None, 10)
    use = background.sky_cells(cells, 2)
    assert not use.any()
    assert (background.fit_surface(cells, use, 2).image() == 0).all()
