"""Clipped mean: truncated normal factors and expectations of means and medians."""

from __future__ import annotations

import numpy as np
import pytest

from fourlight.core.combine import clipped_mean, truncation_factor

FEW = {3: 2.20, 4: 2.02, 5: 1.81, 6: 1.77, 7: 1.69, 8: 1.67, 9: 1.63}


@pytest.mark.parametrize(
    ("clip", "factor"), [(2.0, 0.87963), (2.5, 0.95460), (3.0, 0.98658), (3.5, 0.99694), (4.0, 0.99946)]
)
def test_truncation_factor(clip: float, factor: float) -> None:
    # truncated normal distribution by its integral, tolerance 1e-5
    assert truncation_factor(clip) == pytest.approx(factor, abs=1e-5)


def test_mean_of_eleven() -> None:
    # 11 frames of sigma 10: 10 / sqrt 11 = 3.015; a median would give 3.704
    samples = np.random.default_rng(1).normal(1000, 10, (11, 200, 200)).astype(np.float32)
    mean, variance, kept = clipped_mean(samples, 4.0, 10.0)
    assert mean.std() == pytest.approx(3.015, rel=0.02)
    assert np.sqrt(np.mean(variance)) == pytest.approx(10.0, rel=0.005)
    assert np.mean(kept < 11) < 3e-3


def test_rays_are_left_out_and_steady_hot_samples_kept() -> None:
    rng = np.random.default_rng(2)
    samples = np.rint(rng.normal(500, 0.3, (9, 60, 60))).astype(np.float32)
    samples[4, 10:20, 10:20] += 300
    samples[:, 40, 40] = rng.normal(9000, 80, 9)
    mean, _, kept = clipped_mean(samples, 4.0, 0.4)
    assert np.all(kept[10:20, 10:20] == 8)
    assert mean[10:20, 10:20].mean() == pytest.approx(500, abs=0.05)
    assert kept[40, 40] >= 7


def test_missing_values_few_frames_and_one_frame() -> None:
    samples = np.array([[[1, np.nan, np.nan]], [[3, 4, np.nan]]], dtype=np.float32)
    mean, variance, kept = clipped_mean(samples, 3.0, 1.0)
    assert kept.tolist() == [[2, 1, 0]]
    assert mean[0, :2].tolist() == [2.0, 4.0]
    assert np.isnan(mean[0, 2])
    assert np.isnan(variance[0, 1:]).all()
    one = clipped_mean(samples[:1, :, :1], 3.0, 1.0)
    assert one[0].item() == 1.0
    assert one[2].item() == 1


def test_order_of_frames_does_not_matter() -> None:
    samples = np.random.default_rng(3).normal(0, 1, (7, 20, 20)).astype(np.float32)
    assert np.allclose(
        clipped_mean(samples, 2.5, 1.0)[0], clipped_mean(samples[::-1], 2.5, 1.0)[0], atol=1e-6
    )


def _slowly(values: np.ndarray, clip_sigma: float, noise: float) -> tuple[float, float, int]:
    """Mean, variance and number of the values of one pixel that are kept, step by step."""
    known = values[np.isfinite(values)].astype(np.float64)
    cut = truncation_factor(clip_sigma) ** 2 if len(known) > 2 else 1.0
    if len(known) > 2:
        away = np.abs(known - np.median(known))
        own = FEW.get(len(known), 1.4826) * np.median(away)
        known = known[away <= clip_sigma * max(noise, own)]
    variance = known.var(ddof=1) / cut if len(known) > 1 else np.nan
    return known.mean() if len(known) else np.nan, variance, len(known)


@pytest.mark.parametrize("count", [1, 2, 3, 4, 8, 9, 17, 33])
@pytest.mark.parametrize("clip_sigma", [2.5, 4.0])
def test_equals_a_slow_version_pixel_by_pixel(count: int, clip_sigma: float) -> None:
    rng, noise = np.random.default_rng(count), np.array([[2.0, 3.0], [3.0, 5.0]])
    samples = rng.normal(1000, np.tile(noise, (10, 150)), (count, 20, 300))
    samples[rng.random(samples.shape) < 0.02] += 300
    samples[:, :, 250:] *= (
        1.02 ** np.arange(count)[:, None, None]
    )  # exposures that drift: all values are far apart
    samples[rng.random(samples.shape) < 0.05] = np.nan
    samples[0, 5], samples[:, 6] = np.nan, np.nan
    samples = samples.astype(np.float32)
    found = clipped_mean(samples, clip_sigma, noise)
    places = [
        (y, x) for y in range(20) for x in range(0, 300, 3)
    ]  # of all four kinds, and of all three parts
    expected = np.array([_slowly(samples[:, y, x], clip_sigma, noise[y % 2, x % 2]) for y, x in places]).T
    mean, variance, kept = (layer[tuple(np.transpose(places))] for layer in found)
    np.testing.assert_allclose(mean, expected[0], rtol=2e-7)
    np.testing.assert_allclose(variance, expected[1], rtol=2e-4, atol=1e-5)
    np.testing.assert_array_equal(kept, expected[2])


def test_of_two_values_which_are_never_clipped_the_variance_is_their_own() -> None:
    """Two frames, and two values of four: normal numbers of sigma 10, whose variance a clip at 2 sigma would cut."""
    rng = np.random.default_rng(4)
    samples = rng.normal(1000, 10, (4, 100, 200)).astype(np.float32)
    samples[2:, :, 1::2] = np.nan
    two, some = clipped_mean(samples[:2, :, ::2], 2.0, 10.0)[1], clipped_mean(samples, 2.0, 10.0)[1][:, 1::2]
    np.testing.assert_allclose(
        two, samples[:2, :, ::2].var(axis=0, ddof=1, dtype=np.float64), rtol=1e-4, atol=1e-3
    )
    np.testing.assert_allclose(
        some, samples[:2, :, 1::2].var(axis=0, ddof=1, dtype=np.float64), rtol=1e-4, atol=1e-3
    )


def test_values_without_end_are_left_out() -> None:
    samples = np.full((4, 2, 2), 7.0, np.float32)
    samples[1, 0, 0], samples[:3, 1, 1] = np.inf, [np.inf, -np.inf, np.nan]
    mean, _, kept = clipped_mean(samples, 4.0, 1.0)
    assert np.all(mean == 7.0)
    assert kept.tolist() == [[3, 4], [4, 1]]
