"""Light of bright stars without noise, against what was painted."""

import numpy as np
import pytest
from scipy import ndimage

from finish_scenes import paint
from fourlight.stages.canvas import Canvas
from fourlight.stages.field_profiles import field_profile
from fourlight.stages.star_light import star_light


def lights(scene, full=float("inf")):
    profiles = {c: field_profile(scene.planes[c], scene.variances[c], scene.stars, full) for c in "RGB"}
    return star_light(scene.planes, scene.variances, profiles, full, Canvas())


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
        assert not found[c][:12].any()
    full = ndimage.binary_erosion(scene.planes["G"] >= 1.7e4)
    assert full.any()
    assert found["G"][full].max() < 0.1 * 2e4
