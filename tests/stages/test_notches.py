"""Pixels that sharpening made darker than everything around them was; limits are those of the stage."""

import numpy as np
import pytest

from fourlight.stages.canvas import Canvas
from fourlight.stages.notches import DEEPEST, fill_notches

SIGMA = 3.0


@pytest.fixture
def sky():
    rng = np.random.default_rng(4)
    _, x = np.mgrid[:90, :120]
    light = 100 + 0.3 * x
    return light, (light + rng.normal(0, SIGMA, light.shape)).astype(np.float32)


def test_a_notch_is_filled_up_to_the_darkest_light_around(sky):
    light, plane = sky
    made = plane.copy()
    made[40:42, 60] -= 20 * SIGMA
    made[10, 20] += 20 * SIGMA
    before, spread = made.copy(), np.full_like(plane, SIGMA**2)
    fill_notches(made, plane, spread, 4.0, Canvas())
    # the smooth light of the starlet's second scale has a fifth of a pixel's noise; its darkest within 4 px counts
    assert made[40:42, 60] == pytest.approx(light[40:42, 60] - DEEPEST * SIGMA, abs=1.5 * SIGMA)
    changed = made != before
    assert changed[40:42, 60].all()
    assert changed.sum() == 2


def test_noise_that_was_there_before_is_left_and_gaps_stay(sky):
    _, plane = sky
    plane[30, 30], plane[50:60, 50:60] = plane.min() - 30 * SIGMA, np.nan
    made = plane.copy()
    fill_notches(made, plane, np.full_like(plane, SIGMA**2), 4.0, Canvas())
    np.testing.assert_array_equal(made, plane)


def test_beside_a_gap_notches_are_filled_too(sky):
    light, plane = sky
    plane[50:60, 50:60] = np.nan
    made = plane.copy()
    made[48, 55] -= 20 * SIGMA
    fill_notches(made, plane, np.full_like(plane, SIGMA**2), 4.0, Canvas())
    assert made[48, 55] == pytest.approx(light[48, 55] - DEEPEST * SIGMA, abs=3 * SIGMA)


def test_what_is_filled_does_not_depend_on_the_cut_into_parts():
    rng = np.random.default_rng(6)
    plane = rng.normal(50, SIGMA, (300, 340)).astype(np.float32)
    made = plane - rng.exponential(SIGMA, plane.shape).astype(np.float32)
    whole, parted = made.copy(), made.copy()
    spread = np.full_like(plane, SIGMA**2)
    fill_notches(whole, plane, spread, 4.0, Canvas())
    fill_notches(parted, plane, spread, 4.0, Canvas(memory_bytes=1.0))
    assert (whole != made).sum() > 1000
    np.testing.assert_array_equal(whole, parted)
