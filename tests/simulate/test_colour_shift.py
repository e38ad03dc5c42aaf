"""Images of one star in different colours: by dispersion along the zenith direction, by the optics from the centre."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest

from fourlight.core import maps
from fourlight.simulate.exposure import expected_light
from fourlight.simulate.light import throughput
from fourlight.simulate.plan import LightPlan, plan_lights
from fourlight.simulate.scene import loads
from fourlight.simulate.world import World, build_world

SCENE = """
[object]
kind = "none"
[stars]
count = 1
cluster_count = 0
[camera]
width_px = 201
height_px = 161
[optics]
lateral_colour = {growth}
guiding_arcsec = 0.0
[[nights]]
count = 2
zenith_deg = 48.19
{angle}
rotation_deg = 20.0
flip_after = 1
dither_px = 0.0
gradient = 0.0
"""


def seen(
    growth: float, angle: str, frame: int, place: tuple[float, float]
) -> tuple[npt.NDArray, LightPlan, World]:
    """Centre of light (3, 2) of one star of each colour, less where green light would fall; ``place`` on the frame."""
    scene = loads(SCENE.format(growth=growth, angle=angle))
    plans = plan_lights(scene, throughput(scene))
    plan, world = plans[frame], build_world(scene, plans)
    x, y = maps.apply(plan.matrix, np.array([place[0]]), np.array([place[1]]))
    one = {name: getattr(world.stars, name)[:1] for name in ("magnitude", "temperature_k", "wave_nm")}
    stars = replace(world.stars, x=x, y=y, rate=np.full((1, 3), 2000.0), **one)
    plan = replace(plan, sky_e=np.zeros(3), transparency=1.0, exposure_s=10.0)
    v, u = np.mgrid[:161, :201]
    near, found = np.hypot(u - place[0], v - place[1]) < 30, []
    for colour in range(3):
        detector = replace(world.detector, cell=np.full((2, 2), colour))
        image = expected_light(replace(world, stars=stars, detector=detector), plan)
        found.append([(image * part)[near].sum() / image[near].sum() for part in (u, v)])
    return np.array(found) - place, plan, world


@pytest.mark.parametrize(("frame", "turn"), [(0, 20.0), (1, 200.0)])
def test_blue_stands_nearer_to_the_zenith(frame: int, turn: float) -> None:
    apart, _, world = seen(0.0, "zenith_angle_deg = 90.0", frame, (100.0, 80.0))
    red, _, blue = world.stars.wave_nm[0]
    green = throughput(world.scene).effective_nm[1]
    up = np.radians(90.0 - turn)
    along = apart @ [np.cos(up), np.sin(up)] * world.scene.pixel_arcsec
    # Filippenko 1982, table I at air mass 1.5, between the wavelengths by a straight line
    table = [400, 450, 500, 550, 600, 650, 700], [0.71, 0.29, 0.0, -0.21, -0.37, -0.50, -0.60]
    expected = np.interp([red, world.stars.wave_nm[0, 1], blue], *table) - np.interp(green, *table)
    np.testing.assert_allclose(along, expected, atol=0.02)
    assert along[2] > 0.2
    assert np.abs(apart @ [-np.sin(up), np.cos(up)]).max() < 1e-3


def test_lateral_colour_grows_with_the_distance_from_the_centre() -> None:
    apart, _, world = seen(0.002, "", 0, (150.0, 50.0))
    longer = (world.stars.wave_nm[0] - throughput(world.scene).effective_nm[1]) / 100.0
    np.testing.assert_allclose(apart, 0.002 * longer[:, None] * [50.0, -30.0], atol=2e-3)


def test_all_colours_fall_together_unless_asked_for() -> None:
    apart, plan, _ = seen(0.0, "", 0, (100.0, 80.0))
    assert np.abs(apart).max() < 1e-3
    np.testing.assert_allclose(plan.matrices, [plan.matrix] * 3, atol=1e-9)


def test_the_object_moves_with_its_wavelength() -> None:
    scene = loads(SCENE.format(growth=0.002, angle="zenith_angle_deg = 90.0"))
    for plan in plan_lights(scene, throughput(scene)):
        for colour in range(3):
            x, y = plan.colours.moved(30.0, 120.0, plan.wave_nm[colour])
            green = maps.apply(plan.matrix, 30.0, 120.0)
            np.testing.assert_allclose(maps.apply(plan.matrices[colour], x, y), green, atol=1e-6)


def test_the_object_is_drawn_where_its_wavelength_falls() -> None:
    """Centre of light of a small disc in each colour, against that of green light in the middle of the frame."""
    text = SCENE.format(growth=0.0, angle="zenith_angle_deg = 90.0").replace(
        'kind = "none"', 'kind = "disc"\nsize = 0.2'
    )
    scene = loads(text)
    plans = plan_lights(scene, throughput(scene))
    world = build_world(scene, plans)
    world = replace(world, stars=replace(world.stars, rate=np.zeros_like(world.stars.rate)))
    v, u = np.mgrid[:161, :201]
    for plan in plans:
        dark = replace(plan, sky_e=np.zeros(3), sky_slope_e=np.zeros((3, 2)))
        found, expected = [], []
        for colour in range(3):
            detector = replace(world.detector, cell=np.full((2, 2), colour))
            image = expected_light(replace(world, detector=detector), dark)
            found.append([(image * part).sum() / image.sum() for part in (u, v)])
            expected.append(plan.colours.moved(100.0, 80.0, plan.wave_nm[colour]))
        apart = np.array(expected) - expected[1]
        assert np.abs(apart).max() > 0.1
        np.testing.assert_allclose(np.array(found) - found[1], apart, atol=0.03)
