"""Sums that go on frame by frame against all frames at once, by numpy."""

from __future__ import annotations

import numpy as np
import pytest

from fourlight.core import running


def laid(rng: np.random.Generator, frames: int, level: float, scatter: float) -> tuple[list[np.ndarray], ...]:
    """Sums and noise power of frames with weights and gaps of their own."""
    owns, powers = [], []
    for _ in range(frames):
        weight = rng.uniform(0.2, 1.0, (6, 7)).astype(np.float32)
        weight[rng.random((6, 7)) < 0.2] = 0
        value = rng.normal(level, scatter, (6, 7)).astype(np.float32)
        owns.append(np.dstack([weight * value, weight, weight**2, weight**2]).astype(np.float32))
        powers.append(np.repeat(weight[..., None] ** 2 * 3, 4, axis=2).astype(np.float32))
    return owns, powers


def added(owns: list[np.ndarray], powers: list[np.ndarray]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    sums, noise = np.zeros((2, 6, 7, 4), np.float32), np.zeros((2, 6, 7), np.float32)
    apart = np.zeros((6, 7), np.float32)
    for k, (own, power) in enumerate(zip(owns, powers, strict=True)):
        running.add_frame(own, power, 1.0, sums[k % 2], sums[1 - k % 2], noise[k % 2], apart)
    return sums, noise, apart


@pytest.mark.parametrize(("level", "scatter"), [(100.0, 10.0), (30000.0, 5.0)])
def test_mean_and_scatter_are_those_of_all_frames_at_once(level: float, scatter: float) -> None:
    """numpy.average and the weighted variance by its definition, in float64; float32 sums keep 3 digits of the scatter
    even where it is a six-thousandth of the level."""
    owns, powers = laid(np.random.default_rng(3), 60, level, scatter)
    sums, _, apart = added(owns, powers)
    weight = np.array([own[..., 1] for own in owns], dtype=np.float64)
    value = np.where(weight > 0, np.array([own[..., 0] for own in owns]) / np.maximum(weight, 1e-9), 0.0)
    mean = np.average(value, axis=0, weights=weight)
    spread = np.average((value - mean) ** 2, axis=0, weights=weight)
    number = weight.sum(axis=0) ** 2 / (weight**2).sum(axis=0)
    out, away, behind = np.empty((6, 7), np.float32), np.empty((6, 7), np.float32), np.empty((6, 7), np.int32)
    running.reference(sums[0], sums[1], apart, 60, out, away, behind)
    np.testing.assert_allclose(out, mean, rtol=2e-6)
    np.testing.assert_allclose(away, np.sqrt(spread * number / (number - 1)), rtol=3e-3)
    np.testing.assert_array_equal(behind, np.rint(number))


def test_nothing_is_no_reference() -> None:
    none = np.zeros((2, 3, 4), np.float32)
    out, away, behind = np.empty((2, 3), np.float32), np.empty((2, 3), np.float32), np.empty((2, 3), np.int32)
    running.reference(none, none, np.zeros((2, 3), np.float32), 9, out, away, behind)
    assert np.isnan(out).all()
    assert not away.any()
    assert not behind.any()


def test_the_corner_of_a_drop_says_nothing_of_the_scatter() -> None:
    """Its value is a quotient of two small numbers."""
    sums, noise = np.zeros((2, 1, 1, 4), np.float32), np.zeros((2, 1, 1), np.float32)
    apart = np.zeros((1, 1), np.float32)
    full = np.array([[[50.0, 1.0, 1.0, 1.0]]], np.float32)
    sliver = np.array([[[1e-4 * 900.0, 1e-4, 1e-8, 1e-8]]], np.float32)
    for own in (full, full, sliver):
        running.add_frame(own, own, 1.0, sums[0], sums[1], noise[0], apart)
    assert apart[0, 0] == 0


def test_noise_power_of_even_weights_is_that_of_the_mean() -> None:
    """Of n frames of variance v and weight w: n w^2 v / (n w)^2 = v / n; in a half of half of them, v / (n / 2)."""
    weight, variance, frames = 0.5, 9.0, 8
    own = np.tile(np.float32([70 * weight, weight, weight**2, weight**2]), (2, 2, 1))
    power = np.full((2, 2, 4), weight**2 * variance, np.float32)
    sums, noise = np.zeros((2, 2, 2, 4), np.float32), np.zeros((2, 2, 2), np.float32)
    for k in range(frames):
        running.add_frame(
            own, power, weight, sums[k % 2], sums[1 - k % 2], noise[k % 2], np.zeros((2, 2), np.float32)
        )
    out = np.zeros((2, 2, 2, 4), np.float32)
    running.noise_power(sums, noise, out)
    assert out[..., 0].sum(axis=0) == pytest.approx(np.full((2, 2), variance / frames))
    assert out[..., 1] == pytest.approx(np.full((2, 2, 2), variance / (frames / 2)))
