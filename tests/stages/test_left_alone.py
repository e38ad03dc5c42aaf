"""Places that sharpening leaves as they are."""

import numpy as np

from fourlight.core import refocus
from fourlight.stages.canvas import Canvas
from fourlight.stages.left_alone import left_alone


def planes(ny=120, nx=150, seed=1):
    rng = np.random.default_rng(seed)
    made = {c: rng.normal(100, 2, (ny, nx)).astype(np.float32) for c in "RGB"}
    return made, {c: np.full((ny, nx), 4.0, np.float32) for c in "RGB"}


def test_all_within_the_filters_reach_of_a_full_pixel_in_any_channel():
    light, spread = planes()
    light["B"][60, 70] = 5000
    light["G"][20, 20] = np.nan
    left = left_alone(light, spread, 4000, 3.0, Canvas())
    apart = np.hypot(*np.ogrid[-60:60, -70:80])
    assert (left[apart <= refocus.NEAR * 3.0] == 1).all()
    assert not left[apart >= refocus.FAR * 3.0].any()
    # smooth between, so that nothing has an edge
    line = left[60, 70:100]
    assert (np.diff(line) <= 0).all()
    assert np.diff(line).min() > -0.3


def test_parts_of_a_picture_do_not_show():
    light, spread = planes(400, 300)
    light["R"][200:203, 150] = 5000
    whole = left_alone(light, spread, 4000, 6.0, Canvas())
    parts = left_alone(light, spread, 4000, 6.0, Canvas(memory_bytes=1, threads=2))
    np.testing.assert_array_equal(whole, parts)


def test_stars_that_the_edge_cuts():
    light, spread = planes()
    y, x = np.mgrid[:120, :150]
    light["G"] += (800 * np.exp(-((y + 1) ** 2 + (x - 90) ** 2) / 4)).astype(np.float32)
    left = left_alone(light, spread, np.inf, 3.0, Canvas())
    assert left[:8, 86:95].min() == 1
    assert not left[20:].any()
    assert not left[:, :60].any()


def test_nothing_full():
    light, spread = planes()
    assert not left_alone(light, spread, np.inf, 3.0, Canvas()).any()
