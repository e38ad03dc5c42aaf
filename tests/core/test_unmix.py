"""Generalised least squares pixel by pixel, against numpy's and against what the definition says."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.linalg import lstsq

from fourlight.core.starlet import smooth_step
from fourlight.core.unmix import gain_of, pairs, unmix

DUAL = np.array([[0.96, 0.06], [0.19, 0.94], [0.10, 0.47]])
"""Electrons of R, G, B from Hα and [OIII] behind a dual filter (own prototype, whose curves are from memory)."""


def field(seed=1, kinds=2, channels=3, shape=(4, 5)):
    rng = np.random.default_rng(seed)
    matrix = rng.uniform(0.05, 1.0, (channels, kinds)) * 10.0 ** rng.integers(-2, 3, kinds)
    values = rng.normal(20, 5, (channels, *shape)).astype(np.float32)
    variances = rng.uniform(0.5, 30, (channels, *shape)).astype(np.float32)
    return values, variances, matrix


@pytest.mark.parametrize(("kinds", "channels"), [(1, 3), (2, 3), (3, 3), (3, 6), (4, 6)])
def test_light_is_that_of_scipy(kinds, channels):
    """scipy.linalg.lstsq of whitened channels; columns differ by up to 10^5 in size."""
    values, variances, matrix = field(kinds, kinds, channels)
    light, covariance = unmix(values, variances, variances, matrix)
    for place in np.ndindex(values.shape[1:]):
        here = (slice(None), *place)
        root = np.sqrt(variances[here].astype(float))
        expected = lstsq(matrix / root[:, None], values[here] / root)[0]
        inverse = np.linalg.inv((matrix / root[:, None]).T @ (matrix / root[:, None]))
        np.testing.assert_allclose(light[here], expected, rtol=2e-4, atol=1e-5 * np.abs(expected).max())
        told = [inverse[i, j] for i, j in pairs(kinds)]
        np.testing.assert_allclose(covariance[here], told, rtol=2e-4, atol=1e-6 * np.abs(told).max())


def test_covariance_is_that_of_drawn_noise_whatever_the_weights():
    """20 000 draws: variances are known to 1 %, and weights that are not the best leave light unbiased."""
    rng = np.random.default_rng(5)
    true, variance = np.array([30.0, 12.0]), np.array([9.0, 4.0, 5.0])
    count = 20_000
    noise = rng.standard_normal((3, 1, count)) * np.sqrt(variance)[:, None, None]
    values = ((DUAL @ true)[:, None, None] + noise).astype(np.float32)
    variances = np.repeat(variance, count).reshape(3, 1, count).astype(np.float32)
    for weights in (variances, np.ones_like(variances), variances[::-1]):
        light, covariance = unmix(values, variances, weights, DUAL)
        found = np.cov(light[:, 0])
        np.testing.assert_allclose(light[:, 0].mean(axis=1), true, atol=4 * np.sqrt(found.max() / count))
        told = covariance[:, 0, 0]
        np.testing.assert_allclose([found[0, 0], found[1, 1], found[0, 1]], told, rtol=0.04, atol=0.05)


def test_light_without_noise_comes_back():
    rng = np.random.default_rng(3)
    true = rng.uniform(0, 50, (2, 6, 7))
    values = np.einsum("ck,kyx->cyx", DUAL, true).astype(np.float32)
    ones = np.ones_like(values)
    np.testing.assert_allclose(unmix(values, ones, ones, DUAL)[0], true, rtol=1e-5, atol=1e-4)


def test_no_light_is_none():
    none = np.zeros((3, 2, 2), dtype=np.float32)
    light, _ = unmix(none, none + 1, none + 1, DUAL)
    np.testing.assert_array_equal(light, 0.0)


@pytest.mark.parametrize(
    "spoil", [(0, np.nan, 0), (1, np.nan, 0), (1, np.inf, 0), (2, 0.0, 0), (2, -1.0, 1), (2, np.nan, 2)]
)
def test_pixels_of_which_a_channel_is_not_known_are_not_told(spoil):
    """Its value, its variance or its weight is missing; the others stay as they are."""
    values, variances, matrix = field(9)
    whole = unmix(values, variances, variances, matrix)
    which, what, channel = spoil
    arrays = [values.copy(), variances.copy(), variances.copy()]
    arrays[which][channel, 1, 2] = what
    for found, sound in zip(unmix(*arrays, matrix), whole, strict=True):
        assert np.isnan(found[:, 1, 2]).all()
        found[:, 1, 2] = sound[:, 1, 2]
        np.testing.assert_array_equal(found, sound)


def test_kinds_of_light_that_are_alike_are_not_told():
    values, variances, _ = field(2)
    alike = np.array([[1.0, 2.0], [0.5, 1.0], [0.2, 0.4]])
    assert np.isnan(unmix(values, variances, variances, alike)[0]).all()


def test_gain_is_that_of_every_pixel():
    values, variances, matrix = field(4, shape=(1, 1))
    light, _ = unmix(values, variances, variances, matrix)
    found = gain_of(matrix, variances[:, 0, 0].astype(float)) @ values[:, 0, 0]
    np.testing.assert_allclose(light[:, 0, 0], found, rtol=2e-4)


def test_weights_of_the_pixels_own_light_bias_faint_lines_and_expected_ones_do_not():
    """One frame, a few electrons: -8.9 % of [OIII] (own prototype); means over fifty pixels hold 2 % of that."""
    rng = np.random.default_rng(8)
    shape, true, sky, read = (400, 500), np.array([2.0, 6.0]), np.array([3.0, 2.5, 1.5]), 1.5
    light = DUAL @ true + sky
    counts = rng.poisson(light[:, None, None], (3, *shape)) + read * rng.standard_normal((3, *shape))
    values = (counts - sky[:, None, None]).astype(np.float32)
    own = (np.maximum(counts, 0.0) + read**2).astype(np.float32)
    usual = np.stack([smooth_step(smooth_step(part, 0), 1) for part in own])
    biased, fine = (unmix(values, own, weights, DUAL)[0].mean(axis=(1, 2))[1] for weights in (own, usual))
    error = unmix(values, own, usual, DUAL)[0][1].std() / np.sqrt(shape[0] * shape[1])
    assert biased < 0.95 * true[1]
    assert abs(fine - true[1]) < 0.003 * true[1] + 3 * error
