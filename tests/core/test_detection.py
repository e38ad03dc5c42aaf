"""Candidates against scipy's Gaussian filter, sep's finder and the expected share of noise peaks."""

import runpy
from pathlib import Path

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter, maximum_filter

from fourlight.core.detection import BAND_ROWS, WIDE, _Filter, candidates, filter_noise
from fourlight.core.skycells import Excess

fields = runpy.run_path(str(Path(__file__).parents[1] / "fields.py"))


def plain(image):
    """The image itself, taken as excess over no sky in units of its noise."""
    nx = image.shape[1]
    return Excess(
        image.astype(np.float32), np.zeros((2, 1, nx), dtype=np.float32), np.ones((2, nx), dtype=np.float32)
    )


def filtered(image, sigma):
    """All rows, band by band."""
    bands, ny = _Filter(plain(image), sigma), len(image)
    starts = range(0, ny, BAND_ROWS)
    return np.concatenate([bands.band(y0, min(y0 + BAND_ROWS, ny)).copy() for y0 in starts])


def by_scipy(image, sigma):
    return gaussian_filter(
        image.astype(float), sigma, mode="constant", truncate=np.ceil(3 * sigma) / sigma
    ) - gaussian_filter(
        image.astype(float),
        WIDE * sigma,
        mode="constant",
        truncate=np.ceil(3 * WIDE * sigma) / (WIDE * sigma),
    )


@pytest.mark.parametrize("shape", [(150, 61), (5, 9), (1, 200), (130, 1)])
@pytest.mark.parametrize("sigma", [0.6, 1.7])
def test_filter_equals_scipy(shape, sigma):
    image = np.random.default_rng(1).normal(0, 1, shape).astype(np.float32)
    np.testing.assert_allclose(filtered(image, sigma), by_scipy(image, sigma), atol=3e-6)


def test_unusable_samples_count_as_sky():
    image = np.random.default_rng(6).normal(0, 1, (50, 60))
    holes = np.random.default_rng(7).random(image.shape) < 0.1
    np.testing.assert_allclose(
        filtered(np.where(holes, np.nan, image), 1.3), by_scipy(np.where(holes, 0.0, image), 1.3), atol=3e-6
    )


@pytest.mark.parametrize("shape", [(150, 161), (64, 40), (9, 9)])
def test_candidates_are_the_local_maxima_of_the_filtered_image(shape):
    """A slow version: the largest of 5 x 5 pixels (scipy), four pixels from the sides, above the threshold."""
    image = np.random.default_rng(8).normal(0, 1, shape).astype(np.float32)
    x, y, peak = candidates(plain(image), 1.3, 1.0)
    smooth = by_scipy(image, 1.3)
    top = (smooth == maximum_filter(smooth, 5)) & (smooth > filter_noise(1.3))
    inner = np.zeros(shape, dtype=bool)
    inner[4:-4, 4:-4] = True
    v, u = np.nonzero(top & inner)
    assert sorted(zip(y, x, strict=True)) == sorted(zip(v, u, strict=True))
    np.testing.assert_allclose(peak, smooth[y.astype(int), x.astype(int)] / filter_noise(1.3), rtol=1e-4)
    assert (np.diff(peak) <= 0).all()


def test_a_part_of_the_bands_gives_a_part_of_the_candidates():
    image = np.random.default_rng(9).normal(0, 1, (4 * BAND_ROWS + 8, 200)).astype(np.float32)
    x, y, _ = candidates(plain(image), 1.3, 2.0)
    part = candidates(plain(image), 1.3, 2.0, every=2)
    chosen = (y - 4) // BAND_ROWS % 2 == 0
    assert set(zip(x[chosen], y[chosen], strict=True)) == set(zip(part[0], part[1], strict=True))
    assert 0 < len(part[0]) < len(x)


@pytest.mark.parametrize("sigma", [1.0, 1.3, 2.5])
def test_noise_of_the_filtered_image(sigma):
    """Against the scatter of filtered white noise, and closely against continuous theory for wide kernels."""
    noise = np.random.default_rng(2).normal(0, 1, (700, 700)).astype(np.float32)
    assert np.std(filtered(noise, sigma)[30:-30, 30:-30]) == pytest.approx(filter_noise(sigma), rel=0.01)
    # integral of the square of G_a - G_b: (1/a^2 + 1/b^2 - 4/(a^2 + b^2)) / (4 pi), normal distribution
    a, b = sigma**2, (WIDE * sigma) ** 2
    theory = np.sqrt((1 / a + 1 / b - 4 / (a + b)) / (4 * np.pi))
    assert filter_noise(sigma) == pytest.approx(theory, rel=0.03)


def test_peaks_of_noise_are_as_rare_as_the_normal_distribution_says():
    noise = np.random.default_rng(3).normal(0, 1, (1000, 1000)).astype(np.float32)
    _, _, peak = candidates(plain(noise), 1.3, 4.0)
    # 1e6 pixels beyond 4 sigma: 31.7; peaks are fewer than pixels, since neighbours go together.
    assert 3 < len(peak) < 40
    assert len(candidates(plain(noise), 1.3, 5.5)[0]) <= 1


def test_every_clear_star_is_found_once_brightest_first():
    rng = np.random.default_rng(4)
    place = fields["apart"](rng, 60, (300, 300), 16, 10)
    flux = np.geomspace(4000, 250, 60)
    image = fields["paint_stars"]((300, 300), *place.T, flux, 3.0) + rng.normal(0, 1, (300, 300))
    x, y, _ = candidates(plain(image), 1.3, 5.0)
    gap = np.hypot(x[:, None] - place[:, 0], y[:, None] - place[:, 1])
    assert (gap.min(axis=0) < 1.5).all()
    assert ((gap < 4).sum(axis=0) == 1).all()
    assert len(x) <= 61
    assert gap[:20].argmin(axis=1).max() < 25


def test_smooth_light_leaves_nothing():
    y, x = np.mgrid[:200, :200]
    glow = 30 * np.exp(-((x - 100) ** 2 + (y - 90) ** 2) / (2 * 30**2)) + 0.05 * x
    assert len(candidates(plain(glow), 1.3, 5.0)[0]) == 0


@pytest.mark.parametrize("shape", [(1, 1), (5, 5), (8, 9), (24, 24)])
def test_tiny_frames_give_no_error(shape):
    frame = np.zeros(shape, dtype=np.float32)
    assert len(candidates(plain(frame), 1.3, 5.0)[0]) == 0
    frame[shape[0] // 2, shape[1] // 2] = 100
    assert len(candidates(plain(frame), 1.3, 5.0)[0]) == (1 if min(shape) > 8 else 0)


def test_a_flat_top_is_one_star():
    frame = np.zeros((40, 40), dtype=np.float32)
    frame[18:21, 18:21] = 50
    assert len(candidates(plain(frame), 1.3, 5.0)[0]) == 1
