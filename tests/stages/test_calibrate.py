"""Calibration of a simulated sensor with known gain, read noise, dark signal, response and hot samples."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fields import measured_frame, star_list
from fourlight.core.noise import sample_noise
from fourlight.errors import FrameError, InputError
from fourlight.frames import RawFrame, Role
from fourlight.io.pixels import PixelSource
from fourlight.pipeline.integration import sampling_of
from fourlight.recipe import Calibrate, Read
from fourlight.stages.calibrate import prepare
from sensor_night import GAIN, PEDESTAL, READ, SHAPE, SKY, Night, image_of, two_nights


@pytest.fixture
def night() -> Night:
    return two_nights()


def assert_error_holds(found: float | None, error: float | None, true: float) -> None:
    """Within four times the claimed error, which is of use."""
    assert found is not None
    assert error is not None
    assert abs(found - true) < 4 * error < 0.06 * true


def test_dark_flat_and_bias_restore_the_sky(night: Night, tmp_path: Path) -> None:
    night.add(Role.DARK, 8, 0.0, 180.0)
    night.add(Role.BIAS, 8, 0.0, 0.0)
    for level in (15000.0, 20000.0, 26000.0):
        night.add(Role.FLAT, 2, level, 2.0)
    calibration = night.prepare(tmp_path)
    noise = calibration.noise
    # Janesick's method (Howell 2006, section 4.3) against what was put in; own simulation of it holds 1 % of both
    assert noise.gain_e_per_adu == pytest.approx(GAIN, rel=0.012)
    assert noise.read_noise_e == pytest.approx(READ, rel=0.015)
    assert (noise.gain_source, noise.read_noise_source, noise.unit) == (
        "flats and bias", "flats and bias", "electron",
    )  # fmt: skip
    assert_error_holds(noise.gain_e_per_adu, noise.gain_error, GAIN)
    assert_error_holds(noise.read_noise_e, noise.read_noise_error, READ)
    image = image_of(calibration, night.lights[0])
    for y, x in np.ndindex(2, 2):
        plane, colour = image[y::2, x::2], night.colour[y, x]
        # electrons as counted where the optics lose no light; the brightest 64 px cell of this small frame
        # reaches 0.98 of that
        assert np.nanmedian(plane) == pytest.approx(SKY * colour * 0.98, rel=0.02)
        # vignetting is gone: corner equals centre within the noise of the mean (1 e rms / sqrt 400)
        assert np.nanmean(plane[:20, :20]) / np.nanmean(plane[50:70, 70:90]) == pytest.approx(1, abs=0.05)
    assert calibration.saturation_level(night.lights[0]) < (65535 - PEDESTAL) * GAIN
    # eight darks; six flats of 20333 electrons in the mean of all samples of full colour and full response
    dark_share = (READ**2 + 0.01 * 180 + GAIN**2 / 12) / 8
    colour = night.colour[:2, :2].ravel()
    for light, level in ((night.lights[0], SKY), (night.lights[-1], 4 * SKY)):
        seen = replace(
            measured_frame("", star_list(*np.empty((2, 0)), np.empty((0, 4))), SHAPE),
            raw=light,
            sky=level * colour,
        )
        flat_share = level**2 * colour / (6 * 20333 * np.median(night.response))
        extra = sampling_of(calibration, seen, calibration.open(light)).common
        np.testing.assert_allclose(extra, dark_share + flat_share, rtol=0.1)


def test_lights_alone_give_gain_and_defects(night: Night, tmp_path: Path) -> None:
    calibration = night.prepare(tmp_path, black_adu=PEDESTAL)
    assert calibration.noise.gain_source == "lights"
    assert calibration.noise.gain_e_per_adu == pytest.approx(GAIN, rel=0.05)
    assert calibration.noise.gain_error is not None
    assert 0.001 * GAIN < calibration.noise.gain_error < 0.05 * GAIN
    assert calibration.noise.pedestal_source == "recipe"
    bad = ~np.isfinite(image_of(calibration, night.lights[0]))
    assert bad[night.hot].mean() > 0.97
    assert bad[~night.hot].sum() == 0
    assert calibration.description["defective_samples"] == bad.sum()
    assert calibration.set_aside == ()


def test_claimed_noise_is_the_noise_of_calibrated_samples(night: Night, tmp_path: Path) -> None:
    night.add(Role.BIAS, 6, 0.0, 0.0)
    calibration = night.prepare(tmp_path, gain_e_per_adu=GAIN)
    image = image_of(calibration, night.lights[-1])
    green = image[0::2, 1::2]
    expected = np.sqrt(np.nanmean(green) + READ**2 + GAIN**2 / 12)
    # 1 % PRNU stays in without flats: 4.8 e on 480 e
    assert sample_noise(green) == pytest.approx(np.hypot(expected, 0.01 * np.nanmean(green)), rel=0.02)


def test_pedestal_from_lights_is_within_the_read_noise_term(night: Night, tmp_path: Path) -> None:
    noise = night.prepare(tmp_path).noise
    assert noise.pedestal_source == "lights"
    # read noise unknown and taken as 0: low by R^2 / gain
    assert noise.pedestal_adu == pytest.approx(PEDESTAL - READ**2 / GAIN, abs=6)


def test_masters_are_used_again(night: Night, tmp_path: Path) -> None:
    night.add(Role.DARK, 3, 0.0, 180.0)
    first = night.prepare(tmp_path)
    before = {path: path.stat().st_mtime_ns for path in tmp_path.iterdir()}
    second = night.prepare(tmp_path)
    assert {path: path.stat().st_mtime_ns for path in tmp_path.iterdir()} == before
    assert not [path for path in before if path.name.startswith(".")]
    assert first.noise == second.noise
    np.testing.assert_array_equal(image_of(first, night.lights[0]), image_of(second, night.lights[0]))


def test_a_rectangle_is_the_cut_of_the_whole(night: Night, tmp_path: Path) -> None:
    night.add(Role.DARK, 3, 0.0, 180.0)
    calibration = night.prepare(tmp_path)
    source = calibration.open(night.lights[1])
    whole = image_of(calibration, night.lights[1])
    np.testing.assert_array_equal(source.read(11, 60, 7, 201), whole[11:60, 7:201])
    assert source.shape == SHAPE


def test_switches_of_the_recipe(night: Night, tmp_path: Path) -> None:
    night.add(Role.DARK, 3, 0.0, 180.0)
    calibration = night.prepare(tmp_path, Calibrate(darks="off", defects="off"), black_adu=PEDESTAL)
    assert calibration.description["offset_taken_off"] == {"recipe": 8}
    assert np.isfinite(image_of(calibration, night.lights[0])).all()


def test_recipe_and_header_gain_and_their_contradiction(night: Night, tmp_path: Path) -> None:
    night.lights = [
        RawFrame(f.path, 0, *SHAPE, f.role, "header", exposure_s=180.0, gain_e_per_adu=3.0, night=f.night)
        for f in night.lights
    ]
    calibration = night.prepare(tmp_path)
    assert calibration.noise.gain_source == "lights"
    assert any("3.000 from header" in note for note in calibration.notes)
    told = night.prepare(tmp_path, gain_e_per_adu=0.9, read_noise_e=1.5).noise
    assert (told.gain_e_per_adu, told.gain_error, told.read_noise_error) == (0.9, None, None)
    night.lights = night.lights[:1]
    one_level = night.prepare(tmp_path)
    assert one_level.noise.gain_source in {"lights", "header"}


def test_one_light(tmp_path: Path) -> None:
    night = Night()
    night.add(Role.LIGHT, 1, SKY, 180.0)
    calibration = night.prepare(tmp_path)
    assert np.isfinite(image_of(calibration, night.lights[0])).mean() > 0.995


def test_missing_lights_mixed_sizes_and_unreadable_calibration(night: Night, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no lights"):
        prepare([], [], night.open, "RGGB", Calibrate(), Read(), tmp_path)
    night.add(Role.DARK, 3, 0.0, 180.0)
    broken = night.rest[1]

    def opener(frame: RawFrame) -> PixelSource:
        if frame is broken:
            raise FrameError(str(frame.path), "cut short; copy it again")
        return night.open(frame)

    openers: Callable[[RawFrame], PixelSource] = opener
    calibration = prepare(night.lights, night.rest, openers, "RGGB", Calibrate(), Read(), tmp_path)
    assert [(item.path, item.reason) for item in calibration.set_aside] == [
        (broken.path, "cut short; copy it again")
    ]
    odd = RawFrame(Path("odd.fits"), 0, 10, 10, Role.LIGHT, "header")
    with pytest.raises(InputError, match="different sizes"):
        prepare([*night.lights, odd], [], night.open, "RGGB", Calibrate(), Read(), tmp_path)
