"""The curve of a picture: for an object, for a field of stars, and for faint light that fills the field."""

import numpy as np
import pytest

from fourlight.recipe_finish import LOOKS
from fourlight.stages.display import curve_for


def test_a_crowd_of_stars_is_no_object():
    # flanks of stars fill the gaps of a dense cluster: the curve is that of a field of stars all the same
    rng = np.random.default_rng(5)
    smooth = np.abs(rng.normal(0, 0.1, (300, 300))).astype(np.float32)
    y, x = np.mgrid[:300, :300]
    mask = np.zeros(smooth.shape, bool)
    for _ in range(80):
        place = rng.uniform(20, 280, 2)
        apart = np.hypot(y - place[0], x - place[1])
        smooth += (2000 / (1 + (apart / 1.5) ** 2) ** 2).astype(np.float32)
        mask |= apart < 4
    sky = (smooth < 2) & ~mask
    tops = rng.uniform(500, 2000, 80)
    given = (smooth, smooth, tops, sky, mask, 0.1, LOOKS["clear"])
    stars = curve_for(*given, 2.0)
    # a glow as bright as those flanks that fills a tenth of the field is one
    glow = smooth + np.float32(80) * np.exp(-(((y - 150) ** 2 + (x - 150) ** 2) / 60**2)).astype(np.float32)
    nebula = curve_for(glow, glow, *given[2:], 2.0)
    assert stars.white > 1800
    assert nebula.white < 1500


def test_faint_light_that_fills_the_field_is_not_grey():
    rng = np.random.default_rng(6)
    light = (rng.normal(0, 0.2, (200, 300)) + 14).astype(np.float32)
    light[:40] -= 14  # the little that is empty
    light[120:150, 100:130] += 90
    sky, mask = np.zeros(light.shape, bool), np.zeros(light.shape, bool)
    sky[:40] = True
    curve = curve_for(light, light, np.full(20, 2000.0), sky, mask, 0.3, LOOKS["clear"], 2.0)
    assert float(curve(14.0)) < 0.26
    assert float(curve(104.0)) > 0.4
    light[40:110] -= 14  # where most is empty, the object is as bright as the look says
    sky[:110] = True
    full = curve_for(light, light, np.full(20, 2000.0), sky, mask, 0.3, LOOKS["clear"], 2.0)
    assert float(full(104.0)) == pytest.approx(0.68, abs=0.03)
