from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import map_coordinates

from fourlight.core import maps
from fourlight.simulate.exposure import expected_light
from fourlight.simulate.light import throughput
from fourlight.simulate.plan import plan_lights
from fourlight.simulate.scene import loads
from fourlight.simulate.truth import object_truth, star_truth
from fourlight.simulate.world import build_world

ONE_STAR = """
seed = {seed}
[object]
kind = "none"
[stars]
count = 0
cluster_count = 1
cluster_x = 0.6
cluster_y = 0.35
cluster_brightest_mag = 8.0
temperature_k = 5772.0
[optics]
guiding_arcsec = 0.0
[camera]
width_px = 161
height_px = 121
[[nights]]
count = 2
flip_after = 1
rotation_deg = {turn}
scale = {scale}
dither_px = 4.0
seeing_arcsec = 5.0
transparency = 0.8
transparency_scatter = 0.0
"""


@pytest.mark.parametrize(("seed", "turn", "scale"), [(1, 0.0, 1.0), (2, 12.0, 1.0), (3, -75.0, 1.1)])
def test_star_in_a_frame_maps_to_its_true_place(seed: int, turn: float, scale: float) -> None:
    scene = loads(ONE_STAR.format(seed=seed, turn=turn, scale=scale))
    plans = plan_lights(scene, throughput(scene))
    world = build_world(scene, plans)
    y, x = np.mgrid[:121, :161]
    for plan in plans:
        image = expected_light(world, plan)
        sky = plan.sky_e[1] + plan.sky_slope_e[1, 0] * (x - 80.0) + plan.sky_slope_e[1, 1] * (y - 60.0)
        green = np.where((x + y) % 2 == 1, image - sky, 0.0)
        # Both greens together sample evenly: the centroid is exact for a star wider than its spacing.
        place = np.array([(green * x).sum(), (green * y).sum(), green.sum()]) / green.sum()
        found = plan.matrix @ place
        np.testing.assert_allclose(found, [world.stars.x[0], world.stars.y[0]], atol=0.02)
        expected = world.stars.rate[0, 1] * plan.exposure_s * plan.transparency
        assert 2.0 * green.sum() == pytest.approx(expected, rel=3e-3)


def test_reference_frame_is_the_truth() -> None:
    text = """
    reference_seeing_arcsec = 2.6
    [camera]
    width_px = 150
    height_px = 100
    [stars]
    count = 30
    [[nights]]
    count = 1
    dither_px = 0.0
    seeing_arcsec = 2.6
    seeing_scatter = 0.0
    transparency_scatter = 0.0
    gradient = 0.0
    """
    scene = loads(text)
    plans = plan_lights(scene, throughput(scene))
    world = build_world(scene, plans)
    image = expected_light(world, plans[0])
    smooth, stars = object_truth(world), star_truth(world)
    for plane, y, x, colour in (("R", 0, 0, 0), ("G1", 0, 1, 1), ("G2", 1, 0, 1), ("B", 1, 1, 2)):
        expected = (smooth[plane] + stars[plane])[y::2, x::2] + plans[0].sky_e[colour]
        np.testing.assert_allclose(image[y::2, x::2], expected, rtol=2e-4)


def test_turned_frame_shows_the_same_object() -> None:
    # A nebula without symmetry: a turned and a flipped frame must hold the same light where the map says.
    text = """
    reference_seeing_arcsec = 2.6
    [object]
    kind = "nebula"
    size = 0.7
    [stars]
    count = 0
    cluster_count = 0
    [camera]
    width_px = 150
    height_px = 100
    [[nights]]
    count = 2
    rotation_deg = 33.0
    flip_after = 1
    transparency_scatter = 0.0
    seeing_arcsec = 2.6
    seeing_scatter = 0.0
    gradient = 0.0
    """
    scene = loads(text)
    plans = plan_lights(scene, throughput(scene))
    world = build_world(scene, plans)
    truth = object_truth(world)["G1"]
    for plan in plans:
        image = expected_light(world, plan) - plan.sky_e[1]
        j, i = (part.astype(float) for part in np.nonzero(np.indices(image.shape).sum(axis=0) % 2 == 1))
        x, y = maps.apply(plan.matrix, i, j)
        on = (x > 3) & (x < 146) & (y > 3) & (y < 96)
        assert on.sum() > 4000
        expected = map_coordinates(truth, [y[on], x[on]], order=3)
        found = image[j[on].astype(int), i[on].astype(int)]
        # a cubic through samples of light that is sharp for them
        assert np.std(found - expected) < 0.005 * np.std(expected)
        assert np.mean(found - expected) == pytest.approx(0, abs=2e-3 * float(np.mean(expected)))


def test_fainter_stars_are_more() -> None:
    # log N rises by `slope` per magnitude: counts to 12 and to 14 differ by 10^(0.3 * 2) = 3.98.
    text = (
        "[object]\nkind = 'none'\n[stars]\ncount = 20000\nslope = 0.3\ncluster_count = 0\n"
        "[camera]\nwidth_px = 64\nheight_px = 64"
    )
    magnitude = build_world(loads(text)).stars.magnitude
    ratio = (magnitude < 16.0).sum() / (magnitude < 14.0).sum()
    assert ratio == pytest.approx(10**0.6, rel=0.06)
