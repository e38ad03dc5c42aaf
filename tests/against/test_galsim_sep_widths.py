"""Ratios of widths from mosaic samples against sep on full pictures of the same stars, and against GalSim."""

import galsim
import numpy as np
import pytest
import sep

from fourlight.core.cfa import plane_map
from fourlight.stages.widths import LightSamples, frame_widths
from mosaic_stars import Profile, field, painted

SHAPE, CELL = (420, 420), plane_map("RGGB")
SKY = 200.0


def widths(image, place, light):
    samples = LightSamples(image.astype(np.float32), "RGGB", np.full(4, np.sqrt(SKY)), True, 1e9)
    x, y = (np.repeat(part[:, None], 4, axis=1) for part in place.T)
    return frame_widths(samples, x, y, light, np.zeros(len(light)), 4.0)


@pytest.mark.parametrize("profile", [Profile("moffat", 3.0), Profile("kolmogorov"), Profile("halo")], ids=str)
def test_the_ratio_is_that_of_sep_on_full_pictures(profile):
    """Sep sees every pixel of one colour, we see a quarter; radii of half of the light within 2.5 FWHM.

    Its radii have the pixel in them: of the seven per cent it hides 0.2.
    """
    rng = np.random.default_rng(1)
    place, _ = field(rng, 40, SHAPE, gap=36.0)
    light = np.geomspace(2e4, 2e5, len(place))
    each, wide = np.tile(light[:, None], (1, 4)), np.array([4.28, 4.0, 4.0, 4.0])
    ours = widths(rng.poisson(painted(SHAPE, CELL, *place.T, each, profile, wide) + SKY), place, light)
    radius = []
    for width in wide[:2]:
        alike = np.zeros((2, 2), dtype=np.int64)
        full = rng.poisson(painted(SHAPE, alike, *place.T, each, profile, np.full(4, width)) + SKY) - SKY
        found, flag = sep.flux_radius(full, *place.T, np.full(len(place), 2.5 * width), 0.5, subpix=5)
        assert not flag.any()
        radius.append(np.average(found, weights=light))
    assert np.exp(ours.log_ratio("R")[0]) == pytest.approx(radius[0] / radius[1] + 0.002, abs=0.004)
    assert np.exp(ours.log_ratio("R")[0]) == pytest.approx(1.07, abs=0.004)


def test_turbulence_in_three_colours_is_as_wide_as_galsim_says():
    """Red 616, green 547, blue 482 nm: widths go as lambda^(-1/5), of a profile that is no Moffat profile."""
    rng = np.random.default_rng(2)
    place, electrons = field(rng, 60, SHAPE, gap=26.0)
    true = np.array(
        [
            galsim.Kolmogorov(lam=w, r0_500=0.1, scale_unit=galsim.arcsec).fwhm
            for w in (616.0, 547.0, 547.0, 482.0)
        ]
    )
    image = rng.poisson(painted(SHAPE, CELL, *place.T, electrons, Profile("kolmogorov"), 3.2 * true) + SKY)
    found = widths(image, place, electrons.sum(axis=1))
    for colour, k in (("R", 0), ("B", 3)):
        log, error = found.log_ratio(colour)
        assert log == pytest.approx(np.log(true[k] / true[1]), abs=3 * error + 1e-3)
        assert error < 0.005
    assert found.fwhm_px[4] == pytest.approx(3.2 * true[1], rel=0.03)
