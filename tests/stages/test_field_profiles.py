"""Profiles of stars, with wings of all channels together; limits without a source are ours."""

import numpy as np
import pytest

from finish_scenes import moffat, paint
from fourlight.stages.field_profiles import field_profile, field_profiles


def test_wings_are_those_of_all_channels_together_where_they_are_alike():
    scene = paint(300, 360, count=40, fwhm_px=3.2, noise_e=6.0, flux=(5e3, 1e5), seed=4)
    own = {c: field_profile(scene.planes[c], scene.variances[c], scene.stars, np.inf).wings for c in "RGB"}
    found = field_profiles(scene.planes, scene.variances, scene.stars, np.inf)
    assert len({round(profile.wings, 9) for profile in found.values()}) == 1
    assert len({round(wings, 9) for wings in own.values()}) == 3
    assert min(own.values()) < found["G"].wings < max(own.values())
    # of a Moffat profile of exponent 3.5, as painted
    assert found["G"].wings == pytest.approx(1 / 3.5, rel=0.05)


def test_wings_of_a_channel_that_differs_are_its_own():
    """As of a lens that spreads blue light: a Moffat profile of exponent 2."""
    scene = paint(300, 360, count=40, fwhm_px=3.2, noise_e=2.0, flux=(2e4, 2e5), seed=4)
    wide = np.zeros((300, 360))
    for x, y, light in zip(scene.stars.x, scene.stars.y, scene.flux, strict=True):
        wide += light * moffat(x, y, 3.2, (300, 360), beta=2.0, over=2)
    rng = np.random.default_rng(1)
    scene.planes["B"] = (wide + rng.normal(0, 2, wide.shape)).astype(np.float32)
    found = field_profiles(scene.planes, scene.variances, scene.stars, np.inf)
    assert found["B"].wings > 1.3 * found["G"].wings
