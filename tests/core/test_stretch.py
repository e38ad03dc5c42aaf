"""The display curve."""

import numpy as np
import pytest
from astropy.visualization import AsinhStretch

from fourlight.core.colour import srgb_decode
from fourlight.core.stretch import Curve, asinh_unit, choose_curve


@pytest.mark.parametrize(("x", "y"), [(0.1, 0.293965), (0.5, 0.771270), (1.0, 1.0)])
def test_asinh_values_with_softening_a_tenth(x, y):
    # asinh(x / a) / asinh(1 / a) with a = 0.1, as astropy's AsinhStretch gives them
    assert asinh_unit(x, 0.1) == pytest.approx(y, abs=1e-6)


def test_asinh_equals_astropy():
    x = np.linspace(0, 1, 101)
    np.testing.assert_allclose(asinh_unit(x, 0.03), AsinhStretch(0.03)(x), atol=1e-12)


def test_curve_rises_and_hits_its_ends():
    curve = Curve(sky=0.09, top=0.97, softening=10.0, white=3000.0)
    assert float(curve(0.0)) == pytest.approx(0.09, abs=1e-6)
    assert float(curve(3000.0)) == pytest.approx(0.97, abs=1e-6)
    assert (np.diff(curve(np.linspace(-20, 5000, 999))) >= 0).all()
    far_below = curve(np.array([-1e3, -1e5], np.float32))
    assert 0.003 > far_below[0] > far_below[1] > 0  # dust darker than the sky is never quite black


def test_slope_is_the_derivative_at_the_sky():
    curve = Curve(sky=0.09, top=0.97, softening=10.0, white=3000.0)
    step = 0.002
    numeric = (np.asarray(curve(step), dtype=float) - np.asarray(curve(-step), dtype=float)) / (2 * step)
    assert numeric == pytest.approx(curve.slope, rel=1e-3)


def test_pedestal_makes_displayed_light_proportional_at_the_sky():
    curve = Curve(sky=0.09, top=0.97, softening=10.0, white=3000.0)
    light = [float(srgb_decode(float(curve(x)))) for x in (0.0, 0.2)]
    assert light[1] / light[0] == pytest.approx((0.2 + curve.pedestal) / curve.pedestal, rel=2e-3)


def test_noise_limit_wins_over_the_brightness_target():
    quiet = choose_curve(0.01, 100.0, 5000.0, sky=0.09, bright_target=0.68)
    noisy = choose_curve(40.0, 100.0, 5000.0, sky=0.09, bright_target=0.68, noise_limit=0.02)
    assert float(quiet(100.0)) == pytest.approx(0.68, abs=1e-3)
    assert noisy.slope * 40 == pytest.approx(0.02, rel=1e-3)
    assert float(noisy(100.0)) < 0.3


@pytest.mark.parametrize(
    ("noise", "bright", "white"), [(0, 0, 0), (1, 0, 0), (0, 5, 0), (1e-9, 1e9, 1), (1e9, 1, 1)]
)
def test_odd_numbers_still_give_a_curve(noise, bright, white):
    values = choose_curve(noise, bright, white, sky=0.1)(np.array([-1.0, 0.0, 1.0, 1e9], dtype=np.float32))
    assert np.isfinite(values).all()
