"""Stacks with half and twice the pixels of the reference: light, places and claimed noise; truth is painted."""

from dataclasses import replace

import numpy as np
import pytest

from fields import SAMPLING, block_means, measured_frame, paint_stars, stacked, star_list, turned
from fourlight.core import maps
from fourlight.frames import RegisteredFrame
from fourlight.stages.grid import ZOOMS, Grid
from fourlight.stages.table import frame_table

SHAPE = (110, 130)
PLACES = np.array([[30.2, 28.7], [95.4, 31.1], [33.8, 80.3], [92.6, 77.9]])
FLUX, FWHM, FRAMES = 6e4, 3.2, 48


@pytest.fixture(scope="module")
def night():
    """Dithered frames of four stars on a sky of 100 with a noise of 10, the same without stars, and the frames."""
    rng = np.random.default_rng(21)
    stars = star_list(PLACES[:, 0], PLACES[:, 1], np.full((4, 4), FLUX), fwhm=FWHM)
    images, empty, frames = [], [], []
    for k in range(FRAMES):
        matrix = turned(180 * (k % 2), 1.0, tuple(rng.uniform(-5, 5, 2)), (64.5, 54.5))
        x, y = maps.apply(maps.inverse(matrix), *PLACES.T)
        empty.append(100 + rng.normal(0, 10, SHAPE))
        images.append(empty[-1] + paint_stars(SHAPE, x, y, np.full(4, FLUX), FWHM))
        frames.append(RegisteredFrame(measured_frame(f"{k}.fits", stars, SHAPE, FWHM), matrix, 0.1, 50))
    return np.array(images), np.array(empty), frames


@pytest.mark.parametrize("name", ["0.5x", "2x"])
@pytest.mark.parametrize("method", ["drizzle", "least-squares"])
def test_light_place_and_noise(night, name, method):
    images, starless, frames = night
    grid, zoom = Grid.named(name), ZOOMS[name]
    table = frame_table(
        frames, frames[0].measured, 0, sampling=[replace(SAMPLING, electrons=False)] * FRAMES, grid=grid
    )  # fmt: skip
    layers, _ = stacked(images, table, 1.0, method=method)
    shape = tuple(int(side * zoom) for side in SHAPE)
    y, x = np.mgrid[: shape[0], : shape[1]]
    # corners of pixels stay corners: place + 1/2 is what is multiplied
    middles = (PLACES + 0.5) * zoom - 0.5
    gaps = np.array([np.hypot(x - cx, y - cy) for cx, cy in middles])
    empty = (gaps.min(axis=0) > 20 * zoom) & (
        np.minimum.reduce([x, y, shape[1] - 1 - x, shape[0] - 1 - y]) > 8 * zoom
    )
    for plane in ("R", "G", "B"):
        value = layers[plane]["value"]
        assert value.shape == shape
        # light per pixel of the stack, so that sums are those of the reference light
        assert np.median(value[empty]) == pytest.approx(100 / zoom**2, rel=5e-3)
        for gap, (cx, cy) in zip(gaps, middles, strict=True):
            star = np.where(gap < 10 * zoom, value - 100 / zoom**2, 0)
            assert star.sum() == pytest.approx(FLUX, rel=0.02)
            assert (star * x).sum() / star.sum() == pytest.approx(cx, abs=0.08 * zoom)
            assert (star * y).sum() / star.sum() == pytest.approx(cy, abs=0.08 * zoom)
    # of blocks of 8 x 8 pixels in a sky without stars: 99 of half the pixels tell the ratio to 7 per cent
    layers, _ = stacked(starless, table, 1.0, method=method)
    rim = round(4 * zoom) + 4
    inner, pulls = np.s_[rim:-rim, rim:-rim], []
    for plane in ("R", "G", "B"):
        value, variance = (block_means(layers[plane][name][inner], 8) for name in ("value", "variance"))
        pulls.append((value - value.mean()) / np.sqrt(variance / 64))
    assert np.std(np.concatenate(pulls)) == pytest.approx(1, abs=0.15)


def test_the_grid_of_the_reference_changes_nothing():
    matrix = turned(33.0, 1.2, (3.0, -2.0), (10.0, 10.0))
    np.testing.assert_array_equal(Grid().carried(matrix), matrix)
    corner = np.array([[1.0, 0, -0.5], [0, 1.0, -0.5]])
    for zoom in (0.5, 2.0):
        # the outer corner of the first pixel is that of the stack
        np.testing.assert_allclose(maps.apply(Grid(zoom).carried(corner), np.zeros(1), np.zeros(1)), -0.5)
