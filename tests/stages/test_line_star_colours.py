"""Colours of stars in pictures of lines: told where stars are bright, painted without changing how bright they are."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from finish_scenes import COLOUR, paint
from fourlight.stages.balance import White
from fourlight.stages.canvas import Canvas
from fourlight.stages.line_maps import LineMaps
from fourlight.stages.line_star_colours import recoloured, star_hues, star_pixels, with_clean_stars
from fourlight.stages.showing import stars_on
from line_stacks import star_list

WEIGHTS = np.array([0.5, 0.25, 0.25])
EVEN = White((1.0, 1.0, 1.0), (0.01, 0.01, 0.01), 0.65)


@pytest.fixture(scope="module")
def scene():
    return paint(200, 260, count=20, fwhm_px=3.0, cloud_e=5.0, flux=(2e3, 2e5))


def discs(scene, radius=6.0):
    y, x = np.mgrid[:200, :260]
    return np.any(
        [np.hypot(y - b, x - a) < radius for a, b in zip(scene.stars.x, scene.stars.y, strict=True)], axis=0
    )


def test_hues_are_the_ratios_of_the_stack_by_its_white(scene):
    values, variances = ([planes[c] for c in "RGB"] for planes in (scene.planes, scene.variances))
    true = np.array([COLOUR[c] for c in "RGB"])
    hues = star_hues(values, variances, scene.stars, EVEN)
    np.testing.assert_allclose(hues[:8], np.tile(true / true.mean(), (8, 1)), rtol=0.05)
    typical = star_hues(
        values, variances, scene.stars, None
    )  # all stars of the scene are alike, and so white
    np.testing.assert_allclose(typical[:8], 1, atol=0.12)


def test_faint_and_full_stars_are_white(scene):
    values, variances = ([planes[c] for c in "RGB"] for planes in (scene.planes, scene.variances))
    full = np.zeros(len(scene.stars), bool)
    full[1] = True
    hues = star_hues(values, variances, replace(scene.stars, saturated=full), EVEN)
    assert (hues[1] == 1).all()
    assert (hues[0] != 1).all()
    noisy = [np.full_like(variance, 1e12) for variance in variances]
    assert (star_hues(values, noisy, scene.stars, EVEN) == 1).all()


def test_stars_take_their_colours_and_keep_their_brightness(scene):
    image = [scene.planes["R"].copy() for _ in range(3)]
    image[1] *= np.float32(0.2)
    before = sum(w * plane for w, plane in zip(WEIGHTS, image, strict=True))
    hues = np.ones((len(scene.stars), 3))
    hues[0] = (0.5, 1.0, 1.5)
    recoloured(image, WEIGHTS, stars_on(scene.stars), hues, discs(scene))
    after = sum(w * plane for w, plane in zip(WEIGHTS, image, strict=True))
    np.testing.assert_allclose(after, before, rtol=2e-3, atol=2.0)
    blue, white = ((round(scene.stars.y[k]), round(scene.stars.x[k])) for k in (0, 3))
    assert image[2][blue] / image[0][blue] == pytest.approx(3.0, rel=0.05)
    assert image[2][white] / image[0][white] == pytest.approx(1.0, rel=0.05)


def test_crowds_are_left_as_they_are(scene):
    image = [scene.planes[c].copy() for c in "RGB"]
    recoloured(image, WEIGHTS, stars_on(scene.stars), None, np.ones((200, 260), bool))
    for plane, c in zip(image, "RGB", strict=True):
        np.testing.assert_array_equal(plane, scene.planes[c])


SHAPE = (120, 160)


def coarse_maps(x, y):
    """Even nebula with stars of a pixel that two stacks show otherwise: holes and rims in both maps."""
    rng = np.random.default_rng(8)
    line, cont = (rng.normal(level, 1, SHAPE).astype(np.float32) for level in (50, 5))
    planes = [rng.normal(20, 1, SHAPE).astype(np.float32) for _ in range(3)]
    for i, j in zip(x, y, strict=True):
        line[j, i] -= 900
        line[j, i + 1] += 400
        cont[j, i] += 3000
        cont[j, i - 1] -= 80
        for plane in planes:
            plane[j - 1 : j + 2, i - 1 : i + 2] += np.outer([0.1, 1, 0.1], [0.1, 1, 0.1]) * 1000
    ones = np.ones(SHAPE, dtype=np.float32)
    power = {("halpha", "halpha"): ones, ("halpha", "continuum"): 0 * ones, ("continuum", "continuum"): ones}
    return LineMaps(("halpha", "continuum"), {"halpha": line, "continuum": cont}, power), planes


def test_stars_of_a_pixel_leave_no_holes_in_pictures_of_lines():
    """Also those that no list holds: a third of them here."""
    x, y = np.arange(15, 150, 15), np.arange(12, 111, 12)
    maps, planes = coarse_maps(x, y)
    where = star_pixels(maps, star_list(x[:6], y[:6], 0.8), 1.3)
    assert where[y, x].all()
    assert where.mean() < 0.02, "noise is none of a star"
    clean = with_clean_stars(maps, planes, 2.0, where, Canvas())
    for i, j in zip(x, y, strict=True):
        box = np.s_[j - 3 : j + 4, i - 3 : i + 4]
        assert np.abs(clean.light["halpha"][box] - 50).max() < 6, "five sigma of the noise"
        assert clean.light["continuum"][box].min() > 0
        star = clean.light["continuum"][box].sum() - 5 * 49
        # corners of its square, 3 % of its light, are no pixels of stars that no list holds
        assert star == pytest.approx(2.0 * 1000 * 1.2**2, rel=0.04), "its light in the stack of the lines"
    away = ~where
    for name, plane in maps.light.items():
        np.testing.assert_array_equal(clean.light[name][away], plane[away])


def test_fields_that_stars_fill_stay_as_they_are():
    maps, planes = coarse_maps([], [])
    assert with_clean_stars(maps, planes, 1.0, np.ones(SHAPE, bool), Canvas()) is maps
    assert with_clean_stars(maps, planes, 1.0, np.zeros(SHAPE, bool), Canvas()) is maps
