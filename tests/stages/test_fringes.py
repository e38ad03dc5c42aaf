"""Colour fringes: the same change of scale in all lights, a shift of its own in each."""

from dataclasses import replace

import numpy as np
import pytest

from fields import measured_frame, star_list
from fourlight.core import maps
from fourlight.frames import RegisteredFrame
from fourlight.stages.fringes import aligned

SHAPE = (200, 300)
CENTRE = np.array([149.5, 99.5])
GROWTH = {0: 4e-4, 3: -7e-4}
"""Lateral colour of red and blue: part by which their picture is larger than that of green."""


def light(name, shifts, rng, *, stars=60, error=0.02, night="2031-03-01", focal=400.0):
    """A light whose plane p stands ``shifts[p]`` (x, y) px from green in the middle, as its stars show with errors."""
    x, y = rng.uniform(0, SHAPE[1] - 1, stars), rng.uniform(0, SHAPE[0] - 1, stars)
    design = np.column_stack([np.ones(stars), 2 * x / (SHAPE[1] - 1) - 1, 2 * y / (SHAPE[0] - 1) - 1])
    normal, right = np.zeros((4, 3, 3)), np.zeros((4, 3, 2))
    for plane in range(4):
        offset = shifts.get(plane, (0.0, 0.0)) + GROWTH.get(plane, 0.0) * (np.column_stack([x, y]) - CENTRE)
        offset = offset + error * rng.standard_normal((stars, 2))
        normal[plane] = design.T @ design / error**2
        right[plane] = design.T @ offset / error**2
    measured = measured_frame(name, star_list(x, y, np.full((stars, 4), 1e4)), SHAPE)
    raw = replace(measured.raw, night=night, focal_mm=focal)
    measured = replace(measured, raw=raw, fringe_normal=normal, fringe_right=right)
    return RegisteredFrame(measured, np.eye(2, 3), 0.0, stars)


def apart(frame, plane, x, y):
    """How far a plane's picture is moved at a place of the frame."""
    place = np.array([float(x), float(y)])
    return place - maps.apply(frame.plane_matrix[plane], *place)


def test_scale_and_shift_of_each_plane_are_taken_out():
    rng = np.random.default_rng(1)
    shifts = [{0: (-0.1, 0.02 * k), 3: (0.2, -0.03 * k)} for k in range(12)]
    found = aligned([light(f"{k}", shift, rng) for k, shift in enumerate(shifts)])
    for frame, shift in zip(found, shifts, strict=True):
        for plane in range(4):
            for x, y in ((149.5, 99.5), (0, 0), (299, 199)):
                expected = shift.get(plane, (0, 0)) + GROWTH.get(plane, 0.0) * (np.array([x, y]) - CENTRE)
                # 60 stars of 0.02 px place a light to 0.003 px, 720 a corner to 0.002 px
                np.testing.assert_allclose(apart(frame, plane, x, y), expected, atol=0.012)


def test_the_greens_go_together():
    rng = np.random.default_rng(2)
    found = aligned([light("a", {1: (0.04, 0.0), 2: (0.0, 0.0)}, rng), light("b", {}, rng)])
    for frame in found:
        np.testing.assert_array_equal(frame.plane_matrix[1], frame.plane_matrix[2])
    assert apart(found[0], 1, *CENTRE)[0] == pytest.approx(0.02, abs=0.004)


def test_lights_with_few_faint_stars_lean_on_their_night():
    rng = np.random.default_rng(3)
    clear = [light(f"{k}", {3: (0.2, 0.0)}, rng) for k in range(10)]
    clouded = [light(f"c{k}", {3: (0.2, 0.0)}, rng, stars=4, error=0.4) for k in range(10)]
    alone = np.array([f.measured.fringe_right[3, 0, 0] / f.measured.fringe_normal[3, 0, 0] for f in clouded])
    found = aligned(clear + clouded)
    errors = np.array([apart(frame, 3, *CENTRE)[0] - 0.2 for frame in found[10:]])
    assert np.std(alone - 0.2) > 0.1, "what a mean of four such stars is worth"
    assert np.abs(errors).max() < 0.02


def test_nights_keep_their_own_shift():
    rng = np.random.default_rng(4)
    one = [light(f"a{k}", {3: (0.3, 0.0)}, rng) for k in range(6)]
    two = [light(f"b{k}", {3: (-0.3, 0.0)}, rng, night="2031-03-02") for k in range(6)]
    found = aligned(one + two)
    for frame, expected in zip(found, [0.3] * 6 + [-0.3] * 6, strict=True):
        assert apart(frame, 3, *CENTRE)[0] == pytest.approx(expected, abs=0.012)


def test_other_optics_have_their_own_scale(monkeypatch):
    rng = np.random.default_rng(5)
    one = [light(f"a{k}", {}, rng) for k in range(4)]
    monkeypatch.setitem(GROWTH, 3, 9e-4)
    two = [light(f"b{k}", {}, rng, focal=250.0) for k in range(4)]
    found = aligned([*one, *two])
    for frame, growth in zip(found, [-7e-4] * 4 + [9e-4] * 4, strict=True):
        assert apart(frame, 3, 299, 99.5)[0] == pytest.approx(growth * 149.5, abs=0.012)


def test_lights_without_stars_are_left_as_they_are():
    bare = measured_frame("bare", star_list(np.zeros(0), np.zeros(0), np.zeros((0, 4))), SHAPE)
    found = aligned([RegisteredFrame(bare, np.eye(2, 3), 0.0, 0)])
    np.testing.assert_array_equal(found[0].plane_matrix, [np.eye(2, 3)] * 4)
