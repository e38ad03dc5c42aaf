"""Covers of stars: how far they reach, and stars that a list misses."""

from __future__ import annotations

import numpy as np
import pytest

from fourlight.frames import StarList
from fourlight.stages.fineness_windows import patches
from fourlight.stages.star_covers import Covers, star_covers, star_mask

SHAPE = (160, 200)


def stars(x, y, flux, width=3.0, saturated=False):
    ones = np.ones(len(x))
    light = np.asarray(flux, float)[:, None] * np.ones(4)
    return StarList(
        np.array(x, float), np.array(y, float), light, 0 * light, width * ones, ones, ones * saturated > 0
    )


def halves(noise=5.0, sky=None, shape=SHAPE):
    """Half stacks whose mean has this noise."""
    rng = np.random.default_rng(1)
    sky = np.zeros(shape) if sky is None else sky
    first, second = ((sky + rng.normal(0, noise * np.sqrt(2), shape)).astype(np.float32) for _ in range(2))
    return {"R": (first, second)}


def profile(x, y, peak, width=3.0, shape=SHAPE):
    """Moffat star of exponent 3."""
    core = 0.5 * width / np.sqrt(2 ** (1 / 3) - 1)
    v, u = np.mgrid[: shape[0], : shape[1]]
    return peak * (1 + ((u - x) ** 2 + (v - y) ** 2) / core**2) ** -3


def test_covers_reach_to_where_stars_are_lost_in_noise():
    """A Moffat star of exponent 3 and 1e5 electrons: its profile at the radius is 0.3 of the noise."""
    found = star_covers(stars([50, 20], [60, 20], [1e5, 30.0]), halves())
    core = 1.5 / np.sqrt(2 ** (1 / 3) - 1)
    wing = 1e5 * 2 / (np.pi * core**2) * (1 + (found.radius[0] / core) ** 2) ** -3
    assert wing == pytest.approx(0.3 * 5, rel=0.05)
    assert found.radius[1] == 1.5 * 3  # what hardly rises above the noise still has its core covered
    (patch,) = patches(SHAPE)
    mask = star_mask(patch, found)
    assert mask[60, 50] == 0
    assert mask[150, 190] == 1
    assert np.abs(np.diff(mask, axis=0)).max() < 0.3


def test_covers_of_saturated_stars_are_wider():
    plain, full = (
        star_covers(stars([5], [5], [1e4], saturated=kind), halves()).radius[0] for kind in (False, True)
    )
    assert full == pytest.approx(2 * plain)


def test_stars_outside_do_no_harm_and_those_at_the_rim_are_masked():
    (patch,) = patches((64, 64))
    away = Covers(np.array([-500.0, 900.0]), np.array([10.0, 10.0]), np.full(2, 20.0), np.full(2, 6.0))
    assert (star_mask(patch, away) == 1).all()
    beside = Covers(np.array([-3.0]), np.array([30.0]), np.array([10.0]), np.array([6.0]))
    assert star_mask(patch, beside)[30, 0] == 0


def test_a_star_without_width_or_light_gets_a_small_cover():
    assert star_covers(stars([5.0], [5.0], [np.nan], width=np.nan), halves()).radius == pytest.approx(1.5 * 2)


def test_bright_stars_that_the_list_misses_are_found():
    """A pair that touches, as star lists leave out, beside a faint one that is in the list."""
    sky = profile(90, 80, 3000) + profile(94, 80, 2500) + profile(30, 30, 200)
    found = star_covers(stars([30], [30], [200 * np.pi * 4.3 / 2]), halves(sky=sky))
    (patch,) = patches(SHAPE)
    mask = star_mask(patch, found)
    assert mask[80, 90] == mask[80, 94] == 0
    assert (mask < 1).mean() < 0.2
    core = np.hypot(found.x[1:, None] - [90, 94], found.y[1:, None] - 80)
    assert core.min(axis=0) == pytest.approx(0, abs=1.5)


def test_structure_that_is_everywhere_is_no_star():
    rng = np.random.default_rng(2)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    ridges = 60 * np.sin(x / 3.0) + 60 * np.sin((x + 2 * y) / 5.0) + rng.normal(0, 20, SHAPE)
    assert len(star_covers(stars([], [], []), halves(sky=ridges)).x) == 0
    assert len(star_covers(stars([], [], []), halves()).x) == 0


def test_a_large_stack_is_searched_in_windows():
    shape = (1100, 1200)
    sky = profile(700, 30, 5000, shape=shape) + profile(1190, 1090, 5000, shape=shape)
    found = star_covers(stars([], [], []), halves(sky=sky, shape=shape), threads=2)
    for place in ((700, 30), (1190, 1090)):
        assert np.hypot(found.x - place[0], found.y - place[1]).min() <= 1


def test_planes_that_hold_nothing():
    empty = np.full((80, 80), np.nan, np.float32)
    assert len(star_covers(stars([], [], []), {"R": (empty, empty)}).x) == 0
