"""Clipped mean: truncated normal factors and expectations of means and medians."""

from __future__ import annotations

import numpy as np
import pytest

from fourlight.core.combine import clipped_mean, truncation_factor


@pytest.mark.parametrize(
    ("clip", "factor"), [(2.0, 0.87963), (2.5, 0.95460), (3.0, 0.98658), (3.5, 0.99694), (4.0, 0.99946)]
)
def test_truncation_factor(clip: float, factor: float) -> None:
    # truncated normal distribution, EXTERNAL CHECKS S15, tolerance 1e-5
    assert truncation_factor(clip) == pytest.approx(factor, abs=1e-5)


def test_mean_of_eleven() -> None:
    # 11 frames of sigma 10: 10 / sqrt 11 = 3.015 (EXTERNAL CHECKS S24); a median would give 3.704
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
