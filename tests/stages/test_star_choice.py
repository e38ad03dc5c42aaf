"""Stars that may tell a shape: alone, of usual size, not full."""

import numpy as np
import pytest

from fourlight.stages.star_choice import BRIGHT_STARS, fit_radius, full_stars, lone


def grid(side=5, step=40.0):
    x, y = (
        part.ravel() for part in np.meshgrid(step * np.arange(1.0, side + 1), step * np.arange(1.0, side + 1))
    )
    return x, y, np.linspace(1e4, 1e5, len(x)), np.zeros(len(x)), np.zeros(len(x), dtype=bool)


def test_stars_alone_are_all_taken_brightest_first():
    x, y, light, size, full = grid()
    assert lone(x, y, light, size, full, 3.0).tolist() == list(range(24, -1, -1))


def test_full_wide_and_disturbed_stars_are_left_out():
    x, y, light, size, full = grid()
    full[24], size[23] = True, 0.5
    x[0], y[0] = x[22] + 5, y[22]  # half as bright as its neighbour
    light[0] = 0.5 * light[22]
    chosen = lone(x, y, light, size, full, 3.0)
    assert not {0, 22, 23, 24} & set(chosen.tolist())
    assert len(chosen) == 21


def test_where_none_stands_alone_the_least_disturbed_are_taken():
    x, y, light, size, full = grid(step=6.0)
    light[:] = 1e4
    chosen = lone(x, y, light, size, full, 3.0, least=4)
    assert sorted(chosen.tolist()) == [0, 4, 20, 24]  # the corners have fewest neighbours


@pytest.mark.parametrize("count", [0, 1])
def test_few_stars(count):
    part = np.full(count, 10.0)
    assert len(lone(part, part, part, 0 * part, np.zeros(count, dtype=bool), 3.0)) == count


def test_no_more_than_needed():
    x, y, light, size, full = grid(side=16)
    assert len(lone(x, y, light, size, full, 3.0)) == BRIGHT_STARS


def test_a_full_sample_within_two_pixels_marks_a_star():
    image = np.zeros((20, 20), dtype=np.float32)
    image[10, 12] = 100.0
    x = np.array([10.2, 9.2, 0.0])
    assert full_stars(image, x, np.array([9.0, 10.0, 0.0]), 100.0).tolist() == [True, False, False]


def test_the_disc_grows_with_the_star_within_bounds():
    assert [fit_radius(width) for width in (1.0, 3.0, 50.0)] == [4, 7, 24]
