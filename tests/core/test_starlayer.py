"""Stars fitted and taken off one channel."""

import numpy as np
import pytest

from finish_scenes import moffat
from fourlight.core.mending import mended
from fourlight.core.profilerest import no_rest
from fourlight.core.starlayer import add_star, fit_layer

WINGS, REST = 1 / 3.5, no_rest(2)[0]


def shape(width):
    return np.array([1.0, 0.0, 1.0]) / (0.5 * width) ** 2


def fitted(plane, variance, places, width=3.0, rounds=3):
    found = np.array(places, dtype=float)
    stars = np.zeros((len(found), 4))
    stars[:, :2] = found
    squares, left = np.zeros((len(found), 2)), plane.copy()
    fit_layer(
        left, plane, variance, stars, found, np.ones((len(found), 1)), shape(width)[:, None], WINGS, REST, 5.0,
        np.full(len(found), 40.0), 0.02, rounds, squares,
    )  # fmt: skip
    return left, stars, squares


def test_a_star_added_is_that_of_plain_sums():
    image = np.zeros((41, 41), np.float32)
    add_star(image, 20.3, 19.8, 100.0, shape(3.0), WINGS, REST, 18.0)
    slow = moffat(20.3, 19.8, 3.0, (41, 41), over=15)
    point = (3.5 - 1) / np.pi / (0.5 * 3.0 / np.sqrt(2 ** (1 / 3.5) - 1)) ** 2
    near = np.hypot(*np.ogrid[-19.8:21.2, -20.3:20.7]) < 17
    np.testing.assert_allclose(image[near], 100 * (slow / point)[near], atol=0.02)


def test_touching_stars_come_off():
    rng = np.random.default_rng(1)
    lights, places = (4e4, 2e4, 5e3), ((40.2, 40.1), (44.4, 41.0), (30.0, 60.3))
    truth = sum(light * moffat(x, y, 3.0, (90, 90)) for light, (x, y) in zip(lights, places, strict=True))
    variance = (4 + truth / 40).astype(np.float32)
    plane = (truth + 50 + rng.normal(size=truth.shape) * np.sqrt(variance)).astype(np.float32)
    left, stars, squares = fitted(plane, variance, [(40, 40), (44, 41), (30, 60)], rounds=8)
    np.testing.assert_allclose(stars[:, :2], places, atol=0.05)
    off = (left - 50) / np.sqrt(variance)
    assert np.abs(off).max() < 6
    assert (squares[:, 0] < squares[:, 1]).all()


def test_a_knot_fits_a_wider_spot_better():
    rng = np.random.default_rng(2)
    knot = 4e4 * moffat(30, 30, 6.0, (60, 60))
    variance = (4 + knot / 40).astype(np.float32)
    plane = (knot + rng.normal(size=knot.shape) * np.sqrt(variance)).astype(np.float32)
    _, _, squares = fitted(plane, variance, [(30, 30)])
    assert squares[0, 1] < 0.7 * squares[0, 0]


@pytest.mark.parametrize("value", [np.nan, 0.0, -5.0])
def test_where_there_is_nothing_nothing_comes_off(value):
    plane = np.full((30, 30), value, np.float32)
    left, stars, _ = fitted(plane, np.ones_like(plane), [(15, 15), (0, 0)])
    np.testing.assert_allclose(left, plane, atol=1e-3)
    assert np.isfinite(stars).all()


def test_spots_are_filled_without_a_trace():
    y, x = np.mgrid[:80, :80]
    image = (100 + 20 * np.sin(x / 25) + 0.5 * y).astype(np.float32)
    spots = np.hypot(x - 40, y - 40) < 9
    hurt = np.where(spots, 1e6, image).astype(np.float32)
    out = mended(hurt, spots)
    np.testing.assert_allclose(out[spots], image[spots], atol=2.0)
    np.testing.assert_array_equal(out[~spots], image[~spots])
    assert np.isfinite(mended(np.full((9, 7), np.nan, np.float32), np.zeros((9, 7), bool))).all()
