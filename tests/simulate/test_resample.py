from __future__ import annotations

import numpy as np
import pytest
from scipy import fft
from scipy.signal import fftconvolve

from fourlight.simulate.psf import Profile, add_stars, shape_matrix
from fourlight.simulate.resample import Canvas, add_spline, blurred

ALL = np.zeros((2, 2), dtype=np.int64)


def lump(x: np.ndarray, y: np.ndarray, sigma: float) -> np.ndarray:
    return np.exp(-0.5 * ((x - 47.3) ** 2 + (y - 52.8) ** 2) / sigma**2)


@pytest.mark.parametrize(("turn", "scale"), [(0.0, 1.0), (180.0, 1.0), (17.0, 1.0), (-40.0, 1.15)])
def test_gaussian_through_an_affine_map(turn: float, scale: float) -> None:
    # Gaussian * Gaussian is a Gaussian; the pixel area is done by fine sums.
    y, x = np.mgrid[:100, :96].astype(float)
    canvas = Canvas(fft.rfft2(lump(x, y, 2.0).astype(np.float32)), 100, 96, 0, 0)
    angle, fwhm, profile = np.radians(turn), 2.2, Profile(0.0)
    linear = scale * np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    matrix = np.column_stack([linear, np.array([46.0, 51.5]) - linear @ [20.0, 18.0]])
    coefficients = blurred(canvas, matrix, shape_matrix(fwhm, 0.0, 0.0), profile)
    found = np.zeros((37, 41))
    add_spline(found, ALL, 0, coefficients, matrix, scale**2)
    sigma = np.hypot(2.0, scale * fwhm * profile.scale)
    fine = (np.arange(9) - 4.0) / 9.0
    expected = np.zeros_like(found)
    fy, fx = np.mgrid[:37, :41].astype(float)
    for dy in fine:
        for dx in fine:
            u = matrix[0, 0] * (fx + dx) + matrix[0, 1] * (fy + dy) + matrix[0, 2]
            v = matrix[1, 0] * (fx + dx) + matrix[1, 1] * (fy + dy) + matrix[1, 2]
            expected += lump(u, v, sigma) * (2.0 / sigma) ** 2 * scale**2 / 81.0
    np.testing.assert_allclose(found, expected, atol=2e-3 * expected.max())


@pytest.mark.parametrize("beta", [0.0, 3.5])
def test_blur_equals_convolution_with_the_star(beta: float) -> None:
    rng = np.random.default_rng(5)
    picture = rng.random((160, 150)).astype(np.float32)
    shape, profile = shape_matrix(2.3, 1.5, 25.0), Profile(beta)
    star = np.zeros((81, 81))
    middle, radius = np.array([[40.0]]), np.array([60.0])
    add_stars(
        star,
        ALL,
        middle,
        middle,
        np.array([[1.0]]),
        radius,
        shape[None],
        profile.scale,
        profile.peak,
        profile.beta,
    )
    same = np.eye(2, 3)
    found = blurred(Canvas(fft.rfft2(picture), 160, 150, 0, 0), same, shape, profile, spline=False)
    expected = fftconvolve(picture, star, mode="same")
    inner = np.s_[45:-45, 45:-45]
    # Sampling a star at pixels folds frequencies above Nyquist back: 1e-3 of the level at this width.
    np.testing.assert_allclose(found[inner], expected[inner], atol=2e-3)


def test_spline_reproduces_the_samples() -> None:
    rng = np.random.default_rng(6)
    picture = rng.random((64, 64)).astype(np.float32)
    canvas, same = Canvas(fft.rfft2(picture), 64, 64, 0, 0), np.eye(2, 3)
    shape = shape_matrix(2.0, 0.0, 0.0)
    values = blurred(canvas, same, shape, Profile(0.0), spline=False)
    found = np.zeros((64, 64))
    add_spline(found, ALL, 0, blurred(canvas, same, shape, Profile(0.0)), same, 1.0)
    np.testing.assert_allclose(found[2:-2, 2:-2], values[2:-2, 2:-2], atol=2e-5)


def test_light_is_conserved() -> None:
    y, x = np.mgrid[:100, :96].astype(float)
    picture = lump(x, y, 3.0).astype(np.float32)
    canvas = Canvas(fft.rfft2(picture), 100, 96, 0, 0)
    found = blurred(canvas, np.eye(2, 3), shape_matrix(3.0, 0.0, 0.0), Profile(3.5), spline=False)
    assert found.sum() == pytest.approx(picture.sum(), rel=1e-5)
