"""Candidates against scipy's Gaussian filter, sep's finder and the expected share of noise peaks."""

import runpy
from pathlib import Path

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from fourlight.core.detection import WIDE, _gaussian, _smoothed, candidates, filter_noise

fields = runpy.run_path(str(Path(__file__).parents[1] / "fields.py"))


def test_smoothing_equals_scipy():
    image = np.random.default_rng(1).normal(0, 1, (50, 61)).astype(np.float32)
    expected = gaussian_filter(image.astype(float), 1.7, mode="constant", truncate=np.ceil(3 * 1.7) / 1.7)
    np.testing.assert_allclose(_smoothed(image, _gaussian(1.7)), expected, atol=2e-6)


@pytest.mark.parametrize("sigma", [1.0, 1.3, 2.5])
def test_noise_of_the_filtered_image(sigma):
    """Against the scatter of filtered white noise, and closely against continuous theory for wide kernels."""
    noise = np.random.default_rng(2).normal(0, 1, (700, 700)).astype(np.float32)
    image = _smoothed(noise, _gaussian(sigma)) - _smoothed(noise, _gaussian(WIDE * sigma))
    assert np.std(image[30:-30, 30:-30]) == pytest.approx(filter_noise(sigma), rel=0.01)
    # integral of the square of G_a - G_b: (1/a^2 + 1/b^2 - 4/(a^2 + b^2)) / (4 pi), normal distribution
    a, b = sigma**2, (WIDE * sigma) ** 2
    theory = np.sqrt((1 / a + 1 / b - 4 / (a + b)) / (4 * np.pi))
    assert filter_noise(sigma) == pytest.approx(theory, rel=0.03)


def test_peaks_of_noise_are_as_rare_as_the_normal_distribution_says():
    noise = np.random.default_rng(3).normal(0, 1, (1000, 1000)).astype(np.float32)
    _, _, peak = candidates(noise, 1.3, 4.0)
    # 1e6 pixels beyond 4 sigma: 31.7; peaks are fewer than pixels, since neighbours go together.
    assert 3 < len(peak) < 40
    assert len(candidates(noise, 1.3, 5.5)[0]) <= 1


def test_every_clear_star_is_found_once_brightest_first():
    rng = np.random.default_rng(4)
    place = fields["apart"](rng, 60, (300, 300), 16, 10)
    flux = np.geomspace(4000, 250, 60)
    image = fields["paint_stars"]((300, 300), *place.T, flux, 3.0) + rng.normal(0, 1, (300, 300))
    x, y, _ = candidates(image.astype(np.float32), 1.3, 5.0)
    gap = np.hypot(x[:, None] - place[:, 0], y[:, None] - place[:, 1])
    assert (gap.min(axis=0) < 1.5).all()
    assert ((gap < 4).sum(axis=0) == 1).all()
    assert len(x) <= 61
    assert gap[:20].argmin(axis=1).max() < 25


def test_smooth_light_leaves_nothing():
    y, x = np.mgrid[:200, :200]
    glow = 30 * np.exp(-((x - 100) ** 2 + (y - 90) ** 2) / (2 * 30**2)) + 0.05 * x
    assert len(candidates(glow.astype(np.float32), 1.3, 5.0)[0]) == 0


@pytest.mark.parametrize("shape", [(1, 1), (5, 5), (8, 9), (24, 24)])
def test_tiny_frames_give_no_error(shape):
    frame = np.zeros(shape, dtype=np.float32)
    assert len(candidates(frame, 1.3, 5.0)[0]) == 0
    frame[shape[0] // 2, shape[1] // 2] = 100
    assert len(candidates(frame, 1.3, 5.0)[0]) == (1 if min(shape) > 8 else 0)


def test_a_flat_top_is_one_star():
    frame = np.zeros((40, 40), dtype=np.float32)
    frame[18:21, 18:21] = 50
    assert len(candidates(frame, 1.3, 5.0)[0]) == 1
