"""Light of bright stars without noise, against what was painted."""

import numpy as np
import pytest
from scipy import ndimage

from finish_scenes import paint
from fourlight.stages.canvas import Canvas
from fourlight.stages.field_profiles import field_profile
from fourlight.stages.star_light import BEYOND, star_light, within


def lights(scene, full=float("inf")):
    profiles = {c: field_profile(scene.planes[c], scene.variances[c], scene.stars, full) for c in "RGB"}
    found = star_light(scene.planes, scene.variances, profiles, full, Canvas())
    return {c: within(light) for c, light in found.items()}


@pytest.fixture(scope="module")
def scene():
    return paint(200, 260, count=24, fwhm_px=4.0, flux=(5e3, 2e5), seed=3, apart_px=(6.0, 7.0))


def test_stars_that_touch_are_told_and_nothing_else(scene):
    found = lights(scene)
    for c in "RGB":
        true = scene.truth[c] - scene.cloud[c]
        noise = np.sqrt(scene.variances[c])
        near = np.hypot(
            *np.ogrid[-scene.stars.y[0] : 200 - scene.stars.y[0], -scene.stars.x[0] : 260 - scene.stars.x[0]]
        )
        assert found[c][near < 16].sum() == pytest.approx(true[near < 16].sum(), rel=0.02)
        # what it is off by is the profile's part in a hundred, or the noise of a fit
        assert (np.abs(found[c] - true) < np.maximum(0.04 * true, noise)).mean() > 0.99
        far = ndimage.maximum_filter(true / noise, 15) < 0.3
        assert far.sum() > 500
        assert np.abs(found[c][far]).max() < 0.3 * noise[far].max()


def test_full_stars_and_gaps_have_none():
    scene = paint(160, 180, count=16, fwhm_px=4.0, flux=(1e5, 3e6), full=2e4, seed=5)
    for image in (*scene.planes.values(), *scene.variances.values()):
        image[:12] = np.nan
    found = lights(scene, full=1.7e4)
    for c in "RGB":
        assert np.isfinite(found[c]).all()
    full = ndimage.binary_erosion(scene.planes["G"] >= 1.7e4)
    assert full.any()
    assert found["G"][full].max() < 0.1 * 2e4


def test_light_goes_on_beyond_the_edge():
    whole = paint(200, 260, count=24, fwhm_px=4.0, flux=(5e3, 2e5), seed=3)
    row = int(whole.stars.y[0]) - 2  # the brightest star stands 2 px below the edge
    planes, spread = ({c: image[row:] for c, image in of.items()} for of in (whole.planes, whole.variances))
    profiles = {
        c: field_profile(whole.planes[c], whole.variances[c], whole.stars, float("inf")) for c in "RGB"
    }
    found = star_light(planes, spread, profiles, float("inf"), Canvas())
    x = int(whole.stars.x[0])
    for c in "RGB":
        assert found[c].shape == (200 - row + 2 * BEYOND, 260 + 2 * BEYOND)
        true = (whole.truth[c] - whole.cloud[c])[row - 8 : row, x - 6 : x + 7]
        assert found[c][BEYOND - 8 : BEYOND, BEYOND + x - 6 : BEYOND + x + 7] == pytest.approx(
            true, rel=0.1, abs=10
        )
