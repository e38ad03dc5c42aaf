"""Calibration arithmetic and clipping against ccdproc and astropy.stats."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from astropy import units as u
from astropy.nddata import CCDData
from astropy.stats import sigma_clip

from fourlight.core.cfa import plane_map
from fourlight.core.combine import clipped_mean, truncation_factor
from fourlight.core.samples import expected_variance, normalised, polynomial_terms
from fourlight.core.spread import spread
from fourlight.frames import RawFrame, Role
from fourlight.io.mapping import HeldPixels
from fourlight.recipe import Calibrate, Read
from fourlight.stages.calibrate import Calibration, prepare

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import ccdproc

Image = npt.NDArray[np.float32]
SHAPE = (96, 128)


def _frame(name: str, role: Role, exposure_s: float) -> RawFrame:
    return RawFrame(Path(name), 0, *SHAPE, role, "header", exposure_s=exposure_s, gain_setting=1.0)


def _prepared(tmp_path: Path, images: dict[RawFrame, Image], **read: float) -> Calibration:
    lights = [f for f in images if f.role is Role.LIGHT]
    rest = [f for f in images if f.role is not Role.LIGHT]
    opener: Callable[[RawFrame], HeldPixels] = lambda frame: HeldPixels(images[frame])  # noqa: E731
    settings = Calibrate(defects="off")
    return prepare(lights, rest, opener, "RGGB", settings, Read(**read), tmp_path)


def test_dark_of_another_exposure_is_scaled_as_ccdproc_does(tmp_path: Path) -> None:
    # 30 ADU dark at 60 s, light 1000 ADU at 120 s -> 940 ADU: ccdproc.subtract_dark(scale=True), S23
    light = np.full(SHAPE, 1000.0, dtype=np.float32)
    dark = np.full(SHAPE, 30.0, dtype=np.float32)
    expected = ccdproc.subtract_dark(
        CCDData(light, unit="adu"), CCDData(dark, unit="adu"), dark_exposure=60 * u.s, data_exposure=120 * u.s,
        scale=True,
    )  # fmt: skip
    assert np.all(expected.data == 940)
    images = {_frame("l", Role.LIGHT, 120.0): light, _frame("d", Role.DARK, 60.0): dark}
    images |= {_frame("b", Role.BIAS, 0.0): np.zeros(SHAPE, dtype=np.float32)}
    calibration = _prepared(tmp_path, images)
    found = calibration.open(next(iter(images))).read(0, SHAPE[0], 0, SHAPE[1])
    np.testing.assert_allclose(found, expected.data, atol=1e-3)
    assert any("scaled by 2" in note for note in calibration.notes)


def test_whole_chain_equals_ccdproc(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    response = (1 - 0.2 * ((x - 64) ** 2 + (y - 48) ** 2) / 6400) * rng.normal(1, 0.01, SHAPE)
    lamp = np.where((y % 2 == 0) & (x % 2 == 0), 0.5, np.where((y % 2 == 1) & (x % 2 == 1), 0.7, 1.0))
    bias = (300 + rng.normal(0, 2, SHAPE)).astype(np.float32)
    dark = (bias + rng.gamma(1.0, 20.0, SHAPE)).astype(np.float32)
    flat = (bias + 20000 * lamp * response).astype(np.float32)
    light = (dark + 500 * response + rng.normal(0, 5, SHAPE)).astype(np.float32)
    images = {_frame("l", Role.LIGHT, 60.0): light, _frame("d", Role.DARK, 60.0): dark}
    images |= {_frame("b", Role.BIAS, 0.0): bias, _frame("f", Role.FLAT, 2.0): flat}
    calibration = _prepared(tmp_path, images, gain_e_per_adu=0.75)
    found = calibration.open(next(iter(images))).read(0, SHAPE[0], 0, SHAPE[1])

    clean = CCDData(flat, unit="adu").subtract(CCDData(bias, unit="adu")).data
    for dy, dx in np.ndindex(2, 2):
        plane = slice(dy, None, 2), slice(dx, None, 2)
        step = ccdproc.subtract_dark(
            CCDData(light[plane], unit="adu"), CCDData(dark[plane], unit="adu"),
            dark_exposure=60 * u.s, data_exposure=60 * u.s,
        )  # fmt: skip
        # flats are scaled to their bright part: their middle or more, to half a per cent for one of two uneven cells
        level = np.median(found[plane] / (step.data * 0.75 / clean[plane]))
        assert 0.995 * np.median(clean[plane]) <= level <= 20000 * lamp[dy, dx]
        step = ccdproc.flat_correct(step, CCDData(clean[plane], unit="adu"), norm_value=float(level))
        expected = ccdproc.gain_correct(step, 0.75 * u.electron / u.adu)
        # float32 arithmetic: 1e-4 electrons on 500
        np.testing.assert_allclose(found[plane], expected.data, rtol=2e-6, atol=2e-3)


def test_clip_rejects_what_astropy_rejects() -> None:
    rng = np.random.default_rng(2)
    samples = rng.normal(1000, 10, (25, 30, 30)).astype(np.float32)
    samples[rng.random(samples.shape) < 0.02] += 500
    clipped = sigma_clip(samples, sigma=5, axis=0, cenfunc="median", stdfunc="mad_std", maxiters=1)
    mean, _, kept = clipped_mean(samples, 5.0, 0.0)
    same = kept == (~clipped.mask).sum(axis=0)
    assert same.all()
    np.testing.assert_allclose(mean, clipped.mean(axis=0).data, rtol=1e-6)


@pytest.mark.parametrize(("clip", "one"), [(2.0, 0.87963), (3.0, 0.98658)])
def test_truncation_factor_is_what_astropy_leaves(clip: float, one: float) -> None:
    # sd of a normal distribution cut at 2 and 3 sigma, by its integral
    values = np.random.default_rng(3).normal(0, 1, 1_000_000)
    left = sigma_clip(values, sigma=clip, maxiters=1, masked=False).std()
    assert left == pytest.approx(one, abs=2e-3)
    assert truncation_factor(clip) == pytest.approx(left, abs=2e-3)


def test_spread_equals_the_corrected_converged_clip() -> None:
    # clip at 3 sigma iterated to convergence keeps 0.98485: fixed point of that of a cut normal distribution
    values = np.random.default_rng(4).normal(50, 4, 400_000)
    converged = sigma_clip(values, sigma=3, maxiters=None, masked=False).std() / 0.98485
    assert spread(values)[1] == pytest.approx(converged, rel=3e-3)


def test_spread_of_counts_is_the_deviation_of_ccdproc() -> None:
    # 1000 ADU, gain 1.5, read noise 3 e -> 25.8972 ADU: sqrt(1500 + 9) / 1.5, and ccdproc.create_deviation
    image = CCDData(np.full((4, 4), 1000.0), unit="adu")
    deviation = ccdproc.create_deviation(image, gain=1.5 * u.electron / u.adu, readnoise=3 * u.electron)
    assert deviation.uncertainty.array[0, 0] == pytest.approx(25.8972, abs=1e-4)
    rng = np.random.default_rng(5)
    samples = (rng.poisson(1500, 400_000) + rng.normal(0, 3, 400_000)) / 1.5
    assert spread(samples)[1] == pytest.approx(25.8972, rel=5e-3)


def test_noise_model_gives_the_deviation_of_ccdproc_behind_a_flat() -> None:
    # electrons behind a response of 0.8, read noise 3 e: what a stack expects of a sample that the flat has divided
    counts, response = np.full((4, 4), 1500.0), np.full((4, 4), 0.8, dtype=np.float32)
    image = ccdproc.create_deviation(
        CCDData(counts, unit="electron"), gain=1.0 * u.electron / u.electron, readnoise=3 * u.electron
    )
    expected = ccdproc.flat_correct(image, CCDData(response, unit="electron"), norm_value=1.0)
    out, base, slope = (np.empty(16, dtype=np.float32) for _ in range(3))
    normalised(
        (counts / response).astype(np.float32), response, 0, 0, plane_map("RGGB"), np.zeros((4, 1)),
        polynomial_terms(0), np.array([4, 4]), np.ones(4), np.full(4, 9.0), 1.0, out, base, slope,
    )  # fmt: skip
    np.testing.assert_allclose(out, expected.data.ravel(), rtol=1e-6)
    found = [expected_variance(*each, 0.0) for each in zip(base, slope, out, strict=True)]
    np.testing.assert_allclose(np.sqrt(found), expected.uncertainty.array.ravel(), rtol=1e-6)


def test_mean_of_eleven_against_the_median_of_ccdproc() -> None:
    # n var(median) / sigma^2 = 1.5088 at n = 11, by the integral over its order statistic, so 3.704 against 3.015
    samples = np.random.default_rng(6).normal(0, 10, (11, 200, 200)).astype(np.float32)
    median = ccdproc.Combiner([CCDData(image, unit="adu") for image in samples]).median_combine()
    assert np.std(median.data) == pytest.approx(3.704, rel=0.01)
    assert np.std(clipped_mean(samples, 4.0, 10.0)[0]) == pytest.approx(3.015, rel=0.01)
