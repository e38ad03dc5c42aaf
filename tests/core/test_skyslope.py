"""The sky found by how light changes from place to place."""

import numpy as np
import pytest
from scipy import ndimage

from fourlight.core import background, skyslope
from fourlight.core.levels import Cells
from fourlight.core.skysteps import steps_between

SHAPE, CELL = (690, 990), 30
SKY = np.array([118.0, 124.0, 64.0])
ERROR = 0.25


def grid():
    y, x = ((np.arange(n // CELL) + 0.5) * CELL / n * 2 - 1 for n in SHAPE)
    return np.meshgrid(y, x, indexing="ij")


def cells_of(light, slope=(0.1, -0.06), seed=0, bend=0.0):
    """Cells of three channels: a sky, light of an object (my, mx) of the sky's colour, noise."""
    y, x = grid()
    rng = np.random.default_rng(seed)
    shape = 1 + slope[0] * x + slope[1] * y - bend * (x**2 + y**2)
    skies = [level * shape for level in SKY]
    out = []
    for level, sky in zip(SKY, skies, strict=True):
        noise = rng.normal(size=y.shape) * ERROR
        error = np.full(y.shape, ERROR)
        out.append(Cells(sky + light * level / 124 + noise, error, 20 * error, CELL, SHAPE))
    return out, skies


def haze(seed, level=12.0):
    """Stirred light all over a field but for a corner behind dark dust."""
    y, x = grid()
    rng = np.random.default_rng(seed)
    texture = ndimage.gaussian_filter(rng.normal(size=y.shape), 1.0)
    edge = ndimage.gaussian_filter(rng.normal(size=y.shape), 2.0)
    dark = -0.6 * x + 0.8 * y + edge > 0.45
    return level * np.where(dark, 0.1, 1.0) * np.exp(0.15 * texture / texture.std())


def off(sky, skies):
    y, x = np.meshgrid(*((np.arange(n // CELL) + 0.5) * CELL - 0.5 for n in SHAPE), indexing="ij")
    wrong = np.array([s.at(y, x) - true for s, true in zip(sky.surfaces, skies, strict=True)])
    return wrong - wrong.mean(axis=(1, 2), keepdims=True)


def test_slope_of_the_cost_is_that_of_its_differences():
    cells, _ = cells_of(haze(1))
    level = np.stack([c.level.ravel() / SKY[k] for k, c in enumerate(cells)], axis=1)
    matrix, _ = background.surface_terms(cells[0], 2)
    steps = steps_between(np.ones(cells[0].level.shape, dtype=bool), level, 0 * level + 0.002, matrix)
    for start in steps.starts():
        x = start + 1e-3 * np.random.default_rng(2).normal(size=start.size)
        slope = steps.cost(x)[1]
        ways = 1e-6 * np.eye(x.size)
        slow = np.array([(steps.cost(x + way)[0] - steps.cost(x - way)[0]) / 2e-6 for way in ways])
        # within a difference some pairs change which of their cells is the darker
        np.testing.assert_allclose(slope, slow, atol=1e-4 * np.abs(slow).max())


def test_empty_sky_is_found_to_its_error():
    pulls = []
    for seed in range(12):
        cells, skies = cells_of(0.0, seed=seed, bend=0.01)
        sky = skyslope.sky_under(cells, 2)
        assert sky.share > 0.97
        pulls.append(np.sqrt((off(sky, skies) ** 2).mean(axis=(1, 2))) / sky.error)
    # least squares would be 1; told is also what light that no cell shows may do, half the error of a cell
    assert np.sqrt(np.mean(np.square(pulls))) < 1.1
    assert np.all(sky.error < 0.6 * ERROR)


@pytest.mark.parametrize("slope", [(0.0, 0.0), (0.15, 0.05), (-0.1, 0.12)])
def test_light_that_fills_the_field_stays(slope):
    kept, pulls = [], []
    for seed in range(4):
        light = haze(seed)
        cells, skies = cells_of(light, slope, seed)
        sky = skyslope.sky_under(cells, 2)
        wrong = off(sky, skies)
        flat = light - light.mean()
        kept.append(1 - (wrong[1] * flat).sum() / (flat**2).sum())
        pulls.append(wrong[1].std() / sky.error[1])
        use = background.sky_cells(cells[1], 2)
        surface = background.fit_surface(cells[1], use, 2)
        y, x = np.meshgrid(*cells[1].centres(), indexing="ij")
        envelope = surface.at(y, x) - skies[1]
        assert wrong[1].std() < 0.5 * envelope.std()
        assert not sky.bent
    assert np.mean(kept) == pytest.approx(1.0, abs=0.1)
    assert max(pulls) < 3


def test_a_slope_no_larger_than_its_error_is_left_to_the_object():
    taken, lost = [], []
    for seed in range(3):
        light = haze(seed)
        cells, skies = cells_of(light, (0.0, 0.0), seed)
        sky = skyslope.sky_under(cells, 2)
        wrong, flat = off(sky, skies)[1], light - light.mean()
        taken.append(sky.taken)
        lost.append((wrong * flat).sum() / (flat**2).sum())
        assert wrong.std() < sky.error[1]
    assert max(taken) < 0.5
    # 3 % of the light of the object is what may go; all of the likeliest slope took up to 7 %
    assert np.abs(lost).max() < 0.03
    cells, _ = cells_of(haze(0), (0.15, 0.05), 0)
    assert skyslope.sky_under(cells, 2).taken > 0.95


def test_optics_without_a_flat_bend_the_sky_under_an_object():
    y, x = grid()
    light = 60 * np.exp(-((x / 0.3) ** 2 + (y / 0.35) ** 2))
    cells, skies = cells_of(light, bend=0.15)
    sky = skyslope.sky_under(cells, 2)
    assert sky.bent
    assert np.abs(off(sky, skies)).max() < 1.0  # of 37 electrons from the middle to the corners
    assert not sky.empty[11, 16]


def test_an_even_light_more_and_a_gain_change_nothing_else():
    cells, _ = cells_of(haze(3))
    plain = skyslope.sky_under(cells, 2)
    twice = [Cells(2 * c.level, 2 * c.error, 2 * c.scatter, CELL, SHAPE) for c in cells]
    found = skyslope.sky_under(twice, 2)
    for a, b in zip(plain.surfaces, found.surfaces, strict=True):
        np.testing.assert_allclose(2 * a.coefficients, b.coefficients, rtol=1e-3, atol=0.02)
    np.testing.assert_allclose(2 * plain.error, found.error, rtol=0.02)


def test_levels_follow_the_empty_cells_not_the_darkest():
    rng = np.random.default_rng(5)
    rest = np.concatenate([rng.normal(0, 0.2, 400), rng.exponential(5, 400)])
    assert skyslope._floor(rest, np.full(800, 0.2)) == pytest.approx(0, abs=0.1)
    assert skyslope._floor(rng.normal(0, 0.2, 900), np.full(900, 0.2)) == pytest.approx(0, abs=0.05)


@pytest.mark.parametrize("known", [0, 1, 5, 40])
def test_few_cells_give_a_level_or_a_plane(known):
    cells, _ = cells_of(0.0)
    for c in cells:
        c.level.ravel()[known:] = np.nan
    sky = skyslope.sky_under(cells, 4)
    assert all(np.isfinite(s.image()).all() for s in sky.surfaces)
    assert sky.empty.sum() <= known
    if known:
        assert sky.empty.any()


def test_one_channel_alone():
    cells, skies = cells_of(haze(2))
    sky = skyslope.sky_under(cells[1:2], 1)
    assert len(sky.surfaces) == 1
    assert off(sky, skies[1:2]).std() < 3 * sky.error[0]
