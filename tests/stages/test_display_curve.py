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
    stars = curve_for(*given, 2.0).curve
    # a glow as bright as those flanks that fills a tenth of the field is one
    glow = smooth + np.float32(80) * np.exp(-(((y - 150) ** 2 + (x - 150) ** 2) / 60**2)).astype(np.float32)
    nebula = curve_for(glow, glow, *given[2:], 2.0).curve
    assert stars.white > 1800
    assert nebula.white < 1500


def test_faint_light_that_fills_the_field_is_not_grey():
    rng = np.random.default_rng(6)
    light = (rng.normal(0, 0.2, (200, 300)) + 14).astype(np.float32)
    light[:40] -= 14  # the little that is empty
    light[120:150, 100:130] += 90
    sky, mask = np.zeros(light.shape, bool), np.zeros(light.shape, bool)
    sky[:40] = True
    curve = curve_for(light, light, np.full(20, 2000.0), sky, mask, 0.3, LOOKS["clear"], 2.0).curve
    assert float(curve(14.0)) < 0.26
    assert float(curve(104.0)) > 0.4
    light[40:110] -= 14  # where most is empty, the object is as bright as the look says
    sky[:110] = True
    full = curve_for(light, light, np.full(20, 2000.0), sky, mask, 0.3, LOOKS["clear"], 2.0).curve
    assert float(full(104.0)) == pytest.approx(0.68, abs=0.03)


def test_a_cluster_of_stars_that_no_list_has_does_not_hide_a_nebula():
    rng = np.random.default_rng(7)
    y, x = np.mgrid[:300, :300]
    light = rng.normal(0, 0.3, (300, 300)) + 60 * np.clip(np.sin(x / 50) + 0.4, 0, None)
    crowd = 2e4 * (np.hypot(y - 200, x - 100) < 30)  # 3 % of the field
    tops = np.geomspace(100, 4e4, 200)
    sky, mask = light < 1, np.zeros(light.shape, bool)
    with_crowd = (light + crowd).astype(np.float32)
    curve = curve_for(with_crowd, with_crowd, tops, sky, mask, 0.3, LOOKS["clear"], 3.0).curve
    assert float(curve(80.0)) > 0.2  # 0.1 where the crowd is taken for the object
    # and a bright core in an empty field stays below white
    alone = (rng.normal(0, 0.3, (300, 300)) + crowd).astype(np.float32)
    curve = curve_for(alone, alone, tops, crowd == 0, mask, 0.3, LOOKS["clear"], 3.0).curve
    assert float(curve(2e4)) == pytest.approx(0.68, abs=0.03)
