"""Places that sharpening leaves as they are."""

import numpy as np

from fourlight.core import refocus
from fourlight.stages.canvas import Canvas
from fourlight.stages.left_alone import left_alone
from fourlight.stages.star_light import BEYOND


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


def test_stars_that_are_not_as_they_are_drawn():
    """Two stars that are drawn as one, and beside them one that is drawn as it is, to two parts in a hundred."""
    light, spread = planes()
    y, x = np.mgrid[:120, :150]

    def star(a, b, height):
        return height * np.exp(-((y - b) ** 2 + (x - a) ** 2) / 4.5)

    true = star(40, 60, 900) + star(43, 60, 700) + star(110, 60, 1500)
    drawn = star(41.3, 60, 1400) + star(110, 60, 1530)
    for c in "RGB":
        light[c] += true.astype(np.float32)
    known = {c: np.pad(drawn, BEYOND).astype(np.float32) for c in "RGB"}
    left = left_alone(light, spread, np.inf, 3.0, Canvas(), known)
    assert left[58:63, 38:46].min() == 1
    assert not left[:, 60:].any()
    np.testing.assert_array_equal(left, left_alone(light, spread, np.inf, 3.0, Canvas(memory_bytes=1), known))
