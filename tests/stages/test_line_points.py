"""Stars that the list lacks are told by how narrow they are; knots and threads of a nebula are none."""

from __future__ import annotations

import numpy as np
import pytest

from fourlight.stages.canvas import Canvas
from fourlight.stages.line_maps import planes_above_sky
from fourlight.stages.line_points import NARROW, STEPS, with_unlisted
from line_stacks import SHAPE, Layers, star_list

FWHM = 3.0
SIGMA = FWHM / 2.355
STARS = [(x, y) for y in (30, 80, 240, 290) for x in (40, 130, 270, 360)]
LONE, TOUCHING = (200.0, 160.0), (45.0, 32.5)
"""Two stars that are in no list: the second touches the first of `STARS`."""
KNOT, THREAD = (300.0, 160.0), 110
"""Place of a knot twice as wide as a star, and column of a thread as narrow as one."""


def spot(place, height, sigma=SIGMA):
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    return height * np.exp(-0.5 * ((x - place[0]) ** 2 + (y - place[1]) ** 2) / sigma**2)


def field(colour=(0.5, 1.0, 0.8), extra=()):
    rng = np.random.default_rng(4)
    heights = rng.uniform(80, 400, len(STARS))
    heights[0] = 300
    light = sum(spot(place, height) for place, height in zip(STARS, heights, strict=True))
    light = light + sum((spot(*each) for each in extra), np.zeros(SHAPE))
    layers = Layers([share * light for share in colour], (9.0, 4.0, 5.0))
    stars = star_list(*zip(*STARS, strict=True), fwhm=FWHM)
    stars.flux[:] = heights[:, None] * 10
    return layers, stars


def told(extra, stars=None, **more):
    layers, usual = field(extra=extra, **more)
    stars = usual if stars is None else stars
    planes = planes_above_sky(layers, usual, Canvas(), "stack")
    found = with_unlisted(stars, planes, Canvas())
    rest = slice(len(stars), None)
    np.testing.assert_array_equal(found.x[: len(stars)], stars.x)
    return [*zip(found.x[rest], found.y[rest], found.flux[rest].sum(axis=1), strict=True)]


def test_stars_that_the_list_lacks_are_found_at_their_places_with_their_light():
    """Also one that touches a listed star of like brightness, 1.9 widths away."""
    found = sorted(told([(LONE, 200.0), (TOUCHING, 250.0)]))
    assert len(found) == 2
    for (x, y, light), (place, height) in zip(found, [(TOUCHING, 250.0), (LONE, 200.0)], strict=True):
        assert (x, y) == (pytest.approx(place[0], abs=0.4), pytest.approx(place[1], abs=0.4))
        assert light == pytest.approx(40 * height, rel=0.3), (
            "of the list: ten times its height, four channels"
        )


def test_knots_wider_than_stars_and_threads_are_none():
    thread = [((THREAD, y), 40.0) for y in range(130, 210)]
    assert told([(KNOT, 300.0, 2 * SIGMA)]) == []
    assert told([(KNOT, 300.0, 1.5 * SIGMA)]) == []
    assert told(thread) == []


def test_noise_and_what_is_in_the_list_are_none():
    assert told([]) == []


def test_of_too_few_stars_nothing_is_told():
    few = star_list([40.0], [30.0], FWHM)
    assert told([(LONE, 200.0)], few) == []
    assert told([(LONE, 200.0)], star_list([], [])) == []


def test_ratios_of_detail_are_those_of_gaussians():
    """A Gaussian of standard deviation s smoothed by one of t has the height s^2 / (s^2 + t^2), a straight thread
    the root of that: what the threshold stands on."""

    def ratio(width, power):
        low, middle, high = ((width**2 / (width**2 + step**2)) ** power for step in STEPS)
        return (low - middle) / (middle - high)

    assert ratio(1.0, 1) == pytest.approx(1.48, abs=0.01)
    assert ratio(1.0, 0.5) == pytest.approx(0.97, abs=0.01)
    assert ratio(1.5, 1) == pytest.approx(0.92, abs=0.01)
    assert ratio(2.0, 1) == pytest.approx(0.66, abs=0.01)
    # a star passes with a fifth less than its ratio; a thread and a wide knot do not with a tenth more than theirs
    star, thread, knot = ratio(1.0, 1), ratio(1.0, 0.5), ratio(1.5, 1)
    assert 1.1 * max(thread, knot) < NARROW * star < star / 1.25


def test_a_listed_star_a_little_beyond_the_edge_costs_nothing():
    layers, stars = field(extra=[(LONE, 200.0)])
    beyond = star_list([*stars.x, SHAPE[1] - 0.3], [*stars.y, SHAPE[0] - 0.4], fwhm=FWHM)
    beyond.flux[:] = np.vstack([stars.flux, stars.flux[:1]])
    found = with_unlisted(beyond, planes_above_sky(layers, stars, Canvas(), "stack"), Canvas())
    assert found.x[len(beyond.x) :] == pytest.approx([LONE[0]], abs=0.4)
