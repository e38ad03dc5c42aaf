"""The profile over pixels against GalSim's Moffat profile and pictures, and its derivatives against differences."""

import galsim
import numpy as np
import pytest

from fourlight.core.pixelprofile import LEAST_WINGS, fill_profile, half_light_radius, point_value, widths_of


def shape_of(fwhm, long=1.0, turn=0.0):
    """``a, b, c`` of a profile this wide; ``long`` is major over minor axis at constant area."""
    axes = np.array([fwhm * np.sqrt(long), fwhm / np.sqrt(long)]) / 2
    c, s = np.cos(turn), np.sin(turn)
    basis = np.array([[c, s], [-s, c]])
    matrix = basis.T @ np.diag(axes**-2.0) @ basis
    return np.array([matrix[0, 0], matrix[0, 1], matrix[1, 1]])


def over_pixels(x, y, shape, wings):
    out = np.empty(7)
    fill_profile(x, y, shape, wings, out)
    return out


@pytest.mark.parametrize("beta", [1.7, 2.5, 3.5, 4.765, 40.0])
def test_the_profile_at_points_is_a_moffat_profile(beta):
    """Away from the middle, in units of the value there."""
    star = galsim.Moffat(beta=beta, fwhm=2.7)
    for r in (0.4, 1.0, 2.2, 5.0):
        true = star.xValue(r, 0.0) / star.xValue(0.0, 0.0)
        assert point_value(0.0, r, shape_of(2.7), 1 / beta) == pytest.approx(true, rel=1e-9)


@pytest.mark.parametrize(("beta", "fwhm"), [(2.5, 2.0), (3.5, 2.0), (4.5, 3.0), (0.0, 2.0)])
def test_pixels_hold_what_galsim_draws(beta, fwhm):
    """Stretched, between pixels; the rule of three points per axis is off by less than 0.02 per cent of the peak.

    The profile that stands for a Gaussian, beta 500, by 0.06."""
    star = galsim.Gaussian(fwhm=fwhm) if not beta else galsim.Moffat(beta=beta, fwhm=fwhm)
    star = star.shear(q=1 / 1.3, beta=0.5 * galsim.radians).shift(0.31, -0.22)
    tight = galsim.GSParams(folding_threshold=1e-4, maximum_fft_size=16384, kvalue_accuracy=1e-6)
    drawn = star.withGSParams(tight).drawImage(nx=21, ny=21, scale=1.0, dtype=float).array
    wings = 1 / beta if beta else LEAST_WINGS
    shape = shape_of(fwhm, 1.3, 0.5)
    ours = np.array(
        [[over_pixels(i - 10.31, j - 9.78, shape, wings)[6] for i in range(21)] for j in range(21)]
    )
    ours *= drawn[10, 10] / ours[10, 10]
    np.testing.assert_allclose(ours, drawn, atol=(6e-4 if not beta else 2e-4) * drawn.max())


def test_derivatives_are_those_of_differences():
    shape, wings, x, y, step = shape_of(2.4, 1.2, 0.4), 0.3, 0.7, -1.1, 1e-6
    found = over_pixels(x, y, shape, wings)
    for u in range(3):
        more, less = shape.copy(), shape.copy()
        more[u] += step
        less[u] -= step
        slope = (over_pixels(x, y, more, wings)[6] - over_pixels(x, y, less, wings)[6]) / (2 * step)
        assert found[u] == pytest.approx(slope, rel=1e-6)
    # the star moves, not the pixel
    for u, (dx, dy) in enumerate([(step, 0), (0, step)]):
        slope = over_pixels(x - dx, y - dy, shape, wings)[6] - over_pixels(x + dx, y + dy, shape, wings)[6]
        assert found[3 + u] == pytest.approx(slope / (2 * step), rel=1e-6)
    slope = over_pixels(x, y, shape, wings + step)[6] - over_pixels(x, y, shape, wings - step)[6]
    assert found[5] == pytest.approx(slope / (2 * step), rel=1e-5)


@pytest.mark.parametrize("beta", [2.5, 3.0, 4.765, 10.0])
def test_half_of_the_light_lies_inside_the_radius(beta):
    star = galsim.Moffat(beta=beta, fwhm=3.1)
    assert half_light_radius(3.1, 1 / beta) == pytest.approx(star.half_light_radius, rel=1e-6)


@pytest.mark.parametrize("beta", [1.7, 2.5, 4.765])
def test_half_of_the_light_that_counts(beta):
    """GalSim's profile, cut off at 2.2 times its width."""
    star = galsim.Moffat(beta=beta, fwhm=3.1, trunc=2.2 * 3.1)
    assert half_light_radius(3.1, 1 / beta, 2.2) == pytest.approx(star.half_light_radius, rel=1e-4)


def test_half_of_the_light_of_a_gaussian():
    """External value: half-light radius = FWHM / 2."""
    assert half_light_radius(3.0, LEAST_WINGS) == pytest.approx(1.5, rel=2e-3)


def test_widths_and_direction_come_back():
    found = widths_of(shape_of(2.6, 1.4, 0.8))
    assert found == pytest.approx((2.6, 1.4, 0.8), rel=1e-9)
