"""Ring correlation against its theory, and the resolution of images whose truth is known."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import fft, ndimage

from fourlight.core.resolution import ONE_SEVENTH, Rings, half_bit, resolution
from slow_rings import ring_correlation


@pytest.mark.parametrize(("power", "expected"), [(1 / 6, 1 / 7), (1.0, 0.5), (4.0, 0.8)])
def test_equal_halves_of_known_signal_to_noise(power: float, expected: float) -> None:
    """S / (1 + S) (Rosenthal & Henderson 2003, for 1/7 = 0.143)."""
    rng = np.random.default_rng(3)
    truth = rng.normal(0, np.sqrt(power), (512, 512))
    rings = ring_correlation(truth + rng.normal(size=truth.shape), truth + rng.normal(size=truth.shape))
    mean = float(np.average(rings.value, weights=rings.count))
    assert mean == pytest.approx(expected, abs=0.006)
    both = ring_correlation(2 * truth + rng.normal(0, np.sqrt(2), truth.shape), truth).value
    assert float(np.average(both, weights=rings.count)) == pytest.approx(
        np.sqrt(2 * expected / (1 + expected)), abs=0.01
    )


def test_scatter_of_pure_noise_counts_all_pixels_of_the_ring() -> None:
    """1 / sqrt n with n = all pixels of the ring; with half of them three sigma would be more than four.

    Rings are a little wider than what the window mixes: the claim is up to a fifth too large, never too small.
    """
    rng = np.random.default_rng(4)
    found = [ring_correlation(*rng.normal(size=(2, 96, 96))) for _ in range(300)]
    seen = np.std([rings.value for rings in found], axis=0)
    claimed = np.mean([rings.scatter for rings in found], axis=0)
    assert 0.8 < np.mean(seen[5:] / claimed[5:]) < 1.05


def test_scatter_without_a_window_is_one_over_the_root_of_all_pixels() -> None:
    rng = np.random.default_rng(9)
    found = [ring_correlation(*rng.normal(size=(2, 96, 96)), np.ones((96, 96))) for _ in range(300)]
    seen = np.std([rings.value for rings in found], axis=0)
    assert np.mean(seen[5:] * np.sqrt(found[0].count[5:])) == pytest.approx(1, abs=0.03)


def test_a_window_leaves_fewer_independent_pixels() -> None:
    rng = np.random.default_rng(5)
    window = np.zeros((96, 128))
    window[20:60, 30:80] = 1
    window = ndimage.gaussian_filter(window, 4)
    found = [ring_correlation(*rng.normal(size=(2, 96, 128)), window) for _ in range(300)]
    seen = np.std([rings.value for rings in found], axis=0)
    claimed = np.mean([rings.scatter for rings in found], axis=0)
    assert 0.8 < np.mean(seen[5:] / claimed[5:]) < 1.05


def test_thresholds_of_van_heel_and_schatz() -> None:
    """Values of the half-bit curve re-derived: S = (sqrt 2 - 1) / 2."""
    assert half_bit([50, 500]) == pytest.approx([0.3573, 0.2344], abs=1e-4)
    power, noise = (np.sqrt(2) - 1) / 2, 1 / np.sqrt(77.0)
    top = power + 2 * np.sqrt(power) * noise + noise
    assert float(half_bit(77.0)) == pytest.approx(top / (1 + power + 2 * np.sqrt(power) * noise), abs=1e-4)


@pytest.mark.parametrize("width", [1.5, 2.5])
def test_resolution_is_where_the_image_of_both_correlates_with_the_truth_by_one_half(width: float) -> None:
    """Known transfer, known noise: the frequency at which S / (1 + S) = 1/7 follows from the formula."""
    rng = np.random.default_rng(6)
    shape, noise = (400, 500), 0.05
    radius = np.hypot(fft.fftfreq(shape[0])[:, None], fft.fftfreq(shape[1])[None])
    transfer = np.exp(-2 * (np.pi * width * radius) ** 2)
    truth = fft.ifft2(fft.fft2(rng.normal(size=shape)) * transfer).real
    halves = [truth + rng.normal(0, noise, shape) for _ in range(2)]
    found, low, high = resolution(ring_correlation(*halves), ONE_SEVENTH)
    expected = np.sqrt(-np.log(noise**2 / 6) / 4) / (np.pi * width)
    assert found == pytest.approx(expected, rel=0.02)
    assert low <= found <= high
    assert high - low < 0.05 * found


def test_no_more_than_two_thirds_of_the_finest_frequency_is_claimed() -> None:
    image = np.random.default_rng(7).normal(size=(128, 128))
    assert resolution(ring_correlation(image, image), ONE_SEVENTH) == pytest.approx((1 / 3,) * 3)
    assert resolution(ring_correlation(image, image), ONE_SEVENTH, finest=0.25)[0] == pytest.approx(1 / 6)


def test_noise_alone_has_no_resolution() -> None:
    noise = np.random.default_rng(8).normal(size=(2, 128, 128))
    found, _, _ = resolution(ring_correlation(*noise), half_bit(ring_correlation(*noise).count))
    assert np.isnan(found)


def test_images_that_hold_nothing_or_do_not_fit() -> None:
    empty = ring_correlation(np.zeros((32, 40)), np.ones((32, 40)))
    assert np.isnan(empty.value).all()
    assert np.isnan(resolution(empty, 0.5)[0])
    with pytest.raises(ValueError, match="one shape"):
        ring_correlation(np.zeros((32, 40)), np.zeros((40, 32)))
    with pytest.raises(ValueError, match="16 pixels"):
        ring_correlation(np.zeros((8, 40)), np.zeros((8, 40)))
    assert isinstance(ring_correlation(np.zeros((17, 16)), np.zeros((17, 16))), Rings)
