"""Noise of one sample: the truth is the Poisson law plus read noise plus quantisation (EMVA 1288)."""

from __future__ import annotations

from functools import cache

import numpy as np
import numpy.typing as npt
import pytest

from fourlight.core.noise import faint_differences, finite_values, quantisation_step, sample_noise
from fourlight.core.spread import spread

READ_NOISE_E = 1.5


def _sky(level: float, shape: tuple[int, int], nebula: bool) -> npt.NDArray[np.float64]:
    y, x = np.mgrid[: shape[0], : shape[1]]
    glow = 0.5 * np.exp(-(((x - 200) / 120) ** 2) - ((y - 150) / 90) ** 2) if nebula else 0.0
    return level * (1 + glow + 0.1 * x / shape[1])


@cache
def _stars(shape: tuple[int, int], count: int) -> npt.NDArray[np.float64]:
    """Moffat stars (beta 2.5, FWHM 1.5 samples of a plane), wings included, on a sky whose noise is one."""
    rng, light = np.random.default_rng(5), np.zeros(shape)
    y, x = np.mgrid[: shape[0], : shape[1]]
    alpha = 1.5 / 2 / np.sqrt(2 ** (1 / 2.5) - 1)
    for _ in range(count):
        cy, cx, peak = rng.uniform(0, shape[0]), rng.uniform(0, shape[1]), 10 ** rng.uniform(0.5, 4)
        light += peak * (1 + ((y - cy) ** 2 + (x - cx) ** 2) / alpha**2) ** -2.5
    return light


def _exposed(light: npt.NDArray[np.float64], gain: float, seed: int) -> npt.NDArray[np.float64]:
    rng = np.random.default_rng(seed)
    electrons = rng.poisson(light) + rng.normal(0, READ_NOISE_E, light.shape)
    return np.rint(electrons / gain + 100)


@pytest.mark.parametrize("level", [20.0, 200.0, 5000.0])
@pytest.mark.parametrize("gain", [0.5, 5.0])
@pytest.mark.parametrize("scene", ["flat", "nebula", "stars"])
def test_noise_is_right_to_one_percent(level: float, gain: float, scene: str) -> None:
    shape = (300, 400)
    sky = np.full(shape, level) if scene == "flat" else _sky(level, shape, scene == "nebula")
    stars = np.sqrt(level) * _stars(shape, 120) if scene == "stars" else np.zeros(shape)
    expected = np.sqrt(np.mean(sky) + READ_NOISE_E**2 + gain**2 / 12) / gain
    found = [sample_noise(_exposed(sky + stars, gain, seed)) for seed in range(3)]
    # three frames of about 100,000 differences each: statistical error 0.2 %
    assert np.mean(found) == pytest.approx(expected, rel=0.01)


def test_masked_and_missing_samples_are_left_out() -> None:
    plane = np.random.default_rng(6).normal(0, 3.0, (200, 200))
    mask = np.zeros(plane.shape, dtype=bool)
    plane[:100] *= 10
    mask[:100] = True
    assert sample_noise(plane, mask) == pytest.approx(3.0, rel=0.02)
    plane[mask] = np.nan
    assert sample_noise(plane) == pytest.approx(3.0, rel=0.02)


def test_degenerate_planes() -> None:
    assert np.isnan(sample_noise(np.full((50, 50), np.nan)))
    assert np.isnan(sample_noise(np.zeros((2, 2))))
    assert np.isnan(sample_noise(np.empty((0, 0))))
    assert sample_noise(np.full((50, 50), 7.0)) == 0.0
    with pytest.raises(ValueError, match="two axes"):
        sample_noise(np.zeros(5))


def test_step_of_the_digitiser() -> None:
    rng = np.random.default_rng(9)
    fourteen = rng.integers(0, 16384, 1000) * 4.0  # 14 bits stretched to 16
    assert quantisation_step(fourteen) == 4.0
    assert quantisation_step(fourteen + 1) == 4.0
    assert quantisation_step(rng.normal(size=10)) == 0.0
    assert quantisation_step([]) is None
    late = np.full(20_000, 12.0)
    late[10_000:] = 36.0
    assert quantisation_step(late) == 24.0
    late[19_999] = 40.0
    assert quantisation_step(late) == 4.0
    late[5] = 40.5
    assert quantisation_step(late) == 0.0


STEPS_TO_GO = {0.3: 0.08, 0.4: 0.05, 0.6: 0.015, 1.4: 0.015, 4.0: 0.015}
"""Relative error by noise in steps; below half a step the differences are far from normal."""


@pytest.mark.parametrize("above", [0.0, 0.25, 0.5])
@pytest.mark.parametrize("sigma", STEPS_TO_GO)
def test_noise_of_coarse_whole_numbers_is_that_of_the_samples(sigma: float, above: float) -> None:
    """Their plain standard deviation, stars added afterwards; never less than that of rounding, 1 / sqrt(12)."""
    rng = np.random.default_rng(31)
    plane = np.rint(700 + above + sigma * rng.standard_normal((400, 500)))
    expected = max(float(plane.std()), 0.288675)
    plane[rng.random(plane.shape) < 0.003] += 50
    for step in (1.0, 4.0):
        found = sample_noise((step * plane).astype(np.float32), step=step)
        assert found == pytest.approx(step * expected, rel=STEPS_TO_GO[sigma])


@pytest.mark.parametrize("sigma", [0.3, 0.4, 0.6, 1.4])
def test_noise_over_all_levels_between_two_steps(sigma: float) -> None:
    """On a sky that rises through some steps it is the noise plus a twelfth of a step squared (EMVA 1288)."""
    sky = 700 + np.linspace(0, 5, 500)
    plane = np.rint(sky + sigma * np.random.default_rng(32).standard_normal((400, 500)))
    assert sample_noise(plane, step=1.0) == pytest.approx(np.hypot(sigma, 0.288675), rel=0.02)


def test_frames_without_noise_have_that_of_rounding_unless_all_is_the_same() -> None:
    plane = np.full((60, 60), 7.0)
    assert sample_noise(plane, step=1.0) == 0.0
    plane[30, 30] = 90.0
    assert sample_noise(plane, step=1.0) == pytest.approx(0.288675, rel=1e-5)


def _usual(values: npt.NDArray[np.float64]) -> tuple[float, float]:
    return spread(values[np.isfinite(values)])


@pytest.mark.parametrize("twice", [False, True])
def test_faint_differences_equal_a_slow_version(twice: bool) -> None:
    """Second differences where the six samples above and below are within 1.5 sigma of what is usual there."""
    rng = np.random.default_rng(11)
    change, level = rng.normal(0, 2, (34, 31)), rng.normal(50, 3, (34, 31))
    level[10:14, 10:14] += 200
    change[20:22, 5:9] += 90
    change[3, 4], level[30, 30] = np.nan, np.inf
    found = faint_differences(change, level, twice)
    assert found.shape == (32, 29)
    checker = np.add.outer(np.arange(32), np.arange(29)) % 2 == 0
    expected = change[1:-1, 1:-1] - (change[1:-1, :-2] + change[1:-1, 2:]) / 2
    for image in (level, change) if twice else (level,):
        with np.errstate(invalid="ignore"):
            six = sum(image[dy : 32 + dy, dx : 29 + dx] for dy in (0, 2) for dx in (0, 1, 2)) / 6
            middle, sigma = _usual(np.where(checker, six, np.nan))
            expected[~(np.abs(six - middle) <= 1.5 * sigma)] = np.nan
    np.testing.assert_allclose(found, expected, rtol=1e-9)


def test_finite_values_in_order() -> None:
    values = np.array([[1.0, np.nan, 2.0], [np.inf, 3.0, -np.inf]])
    out = np.empty(7)
    assert finite_values(values, out) == 3
    np.testing.assert_array_equal(out[:3], [1.0, 2.0, 3.0])


def test_single_precision_and_strided_planes_give_the_same() -> None:
    image = np.random.default_rng(12).normal(300, 7, (400, 420)).astype(np.float32)
    strided = sample_noise(image[::2, 1::2])
    assert strided == sample_noise(np.ascontiguousarray(image[::2, 1::2]).astype(np.float64))
    assert strided == pytest.approx(7.0, rel=0.02)
