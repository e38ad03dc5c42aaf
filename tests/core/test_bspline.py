"""Cubic B-splines against scipy."""

import numpy as np
import pytest
from scipy.interpolate import BSpline
from scipy.ndimage import convolve1d, shift, spline_filter

from fourlight.core import bspline


@pytest.mark.parametrize("place", [0.0, 0.125, 0.5, 0.83, 1.0])
def test_weights_equal_scipys_basis_element(place):
    element = BSpline.basis_element(np.arange(-2.0, 3.0), extrapolate=False)
    expected = np.nan_to_num([element(place - k) for k in (-1.0, 0.0, 1.0, 2.0)])
    np.testing.assert_allclose(bspline.weights(place), expected, atol=2e-7)


def test_values_at_pixels_undo_scipys_spline_filter():
    """Away from the edges, which the two treat differently."""
    image = np.random.default_rng(2).normal(size=(60, 70))
    back = bspline.at_pixels(spline_filter(image, order=3, mode="mirror").astype(np.float32))
    np.testing.assert_allclose(back[2:-2, 2:-2], image[2:-2, 2:-2], atol=1e-5)


def test_noise_of_a_spline_half_a_pixel_beside_its_samples():
    """White noise of 1 comes out as 0.756 where it is shifted by half a pixel in both axes: the
    root of the sum of squares of the kernel, as SciPy's has it."""
    noise = np.random.default_rng(11).normal(size=(400, 400))
    coefficients = spline_filter(noise, order=3, mode="mirror")
    kernel = np.array(bspline.weights(0.5), dtype=float)
    between = convolve1d(convolve1d(coefficients, kernel, axis=0), kernel, axis=1)
    assert between[8:-8, 8:-8].std() == pytest.approx(0.756, rel=0.01)
    np.testing.assert_allclose(
        shift(noise, (-0.5, -0.5), order=3, mode="mirror")[8:-8, 8:-8].std(),
        between[8:-8, 8:-8].std(),
        rtol=0.01,
    )
