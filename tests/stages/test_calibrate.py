"""Calibration of a simulated sensor with known gain, read noise, dark signal, response and hot samples."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from fields import measured_frame, star_list
from fourlight.core.noise import sample_noise
from fourlight.errors import FrameError, InputError
from fourlight.frames import RawFrame, Role
from fourlight.io.pixels import PixelSource
from fourlight.pipeline.integration import sampling_of
from fourlight.recipe import Calibrate, Read
from fourlight.stages.calibrate import Calibration, prepare

SHAPE = (240, 320)
GAIN, READ, PEDESTAL, SKY = 0.8, 1.5, 500.0, 120.0
Image = npt.NDArray[np.float64]


class Held:
    """Pixels of an array, as the reading stage would give them."""

    def __init__(self, array: npt.NDArray[np.uint16]) -> None:
        self.array = array
        self.shape = (array.shape[0], array.shape[1])

    def read(self, y0: int, y1: int, x0: int, x1: int, step: int = 1) -> npt.NDArray[np.float32]:
        return self.array[y0:y1:step, x0:x1].astype(np.float32)


class Night:
    """Frames of one sensor: 0.3 vignetting, 1 % PRNU, RGGB sky, 0.1 % hot samples of 1 to 30 e/s."""

    def __init__(self) -> None:
        self.rng = rng = np.random.default_rng(1)
        y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
        radius = ((y / SHAPE[0] - 0.5) ** 2 + (x / SHAPE[1] - 0.5) ** 2) * 2
        self.response = (1 - 0.3 * radius) * rng.normal(1, 0.01, SHAPE)
        self.colour = np.where((y % 2 == 0) & (x % 2 == 0), 0.6, np.where((y % 2) & (x % 2), 0.5, 1.0))
        self.dark_e = np.full(SHAPE, 0.01)
        self.hot = rng.random(SHAPE) < 0.001
        self.dark_e[self.hot] += 10 ** rng.uniform(0, 1.5, int(self.hot.sum()))
        self.frames: dict[tuple[Path, int], npt.NDArray[np.uint16]] = {}
        self.lights: list[RawFrame] = []
        self.rest: list[RawFrame] = []

    def add(self, role: Role, count: int, light_e: float, exposure_s: float, **facts: Any) -> list[RawFrame]:
        made = []
        for _ in range(count):
            electrons = self.rng.poisson(light_e * self.colour * self.response + self.dark_e * exposure_s)
            adu = (electrons + self.rng.normal(0, READ, SHAPE)) / GAIN + PEDESTAL
            known: dict[str, Any] = {"gain_setting": 100.0, "temperature_c": -10.0, "saturation_adu": 65535.0}
            path = Path(f"{role}-{len(self.frames):03}.fits")
            frame = RawFrame(path, 0, *SHAPE, role, "header", exposure_s=exposure_s, **(known | facts))
            self.frames[path, 0] = np.clip(np.rint(adu), 0, 65535).astype(np.uint16)
            made.append(frame)
        (self.lights if role is Role.LIGHT else self.rest).extend(made)
        return made

    def open(self, frame: RawFrame) -> PixelSource:
        return Held(self.frames[frame.path, frame.hdu])

    def prepare(self, work: Path, settings: Calibrate | None = None, **read: float) -> Calibration:
        return prepare(self.lights, self.rest, self.open, "RGGB", settings or Calibrate(), Read(**read), work)


@pytest.fixture
def night() -> Night:
    made = Night()
    made.add(Role.LIGHT, 4, SKY, 180.0, night="2031-03-01")
    made.add(Role.LIGHT, 4, 4 * SKY, 180.0, night="2031-03-02")
    return made


def _image(calibration: Calibration, frame: RawFrame) -> npt.NDArray[np.float32]:
    return calibration.open(frame).read(0, SHAPE[0], 0, SHAPE[1])


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
    # the claimed errors hold (four sigma) and are of use
    for found, error, true in (
        (noise.gain_e_per_adu, noise.gain_error, GAIN),
        (noise.read_noise_e, noise.read_noise_error, READ),
    ):
        assert found is not None
        assert error is not None
        assert abs(found - true) < 4 * error < 0.06 * true
    image = _image(calibration, night.lights[0])
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
    bad = ~np.isfinite(_image(calibration, night.lights[0]))
    assert bad[night.hot].mean() > 0.97
    assert bad[~night.hot].sum() == 0
    assert calibration.description["defective_samples"] == bad.sum()
    assert calibration.set_aside == ()


def test_claimed_noise_is_the_noise_of_calibrated_samples(night: Night, tmp_path: Path) -> None:
    night.add(Role.BIAS, 6, 0.0, 0.0)
    calibration = night.prepare(tmp_path, gain_e_per_adu=GAIN)
    image = _image(calibration, night.lights[-1])
    green = image[0::2, 1::2]
    expected = np.sqrt(np.nanmean(green) + READ**2 + GAIN**2 / 12)
    # 1 % PRNU stays in without flats: 4.8 e on 480 e
    assert sample_noise(green) == pytest.approx(np.hypot(expected, 0.01 * np.nanmean(green)), rel=0.02)


def test_pedestal_from_lights_is_within_the_read_noise_term(night: Night, tmp_path: Path) -> None:
    noise = night.prepare(tmp_path).noise
    assert noise.pedestal_source == "lights"
    # read noise unknown and taken as 0: low by R^2 / gain
    assert noise.pedestal_adu == pytest.approx(PEDESTAL - READ**2 / GAIN, abs=6)


def test_each_light_gets_the_dark_of_its_temperature(night: Night, tmp_path: Path) -> None:
    warm = night.add(Role.LIGHT, 2, SKY, 180.0, temperature_c=5.0)
    night.add(Role.DARK, 4, 0.0, 180.0)
    for frame in night.add(Role.DARK, 4, 0.0, 180.0, temperature_c=6.0):
        night.frames[frame.path, 0] += 40
    calibration = night.prepare(tmp_path, gain_e_per_adu=GAIN)
    cold_level = np.nanmedian(_image(calibration, night.lights[0]))
    assert np.nanmedian(_image(calibration, warm[0])) == pytest.approx(cold_level - 40 * GAIN, abs=1.5)
    assert calibration.description["offset_taken_off"] == {"dark": 10}


@pytest.mark.parametrize(
    ("facts", "word"),
    [
        ({"gain_setting": 0.0}, "gain 0 instead of 100"),
        ({"temperature_c": 20.0}, "20.0 C instead of -10.0 C"),
    ],
)
def test_darks_that_do_not_match_are_named(
    night: Night, tmp_path: Path, facts: dict[str, float], word: str
) -> None:
    night.add(Role.DARK, 3, 0.0, 180.0, **facts)
    calibration = night.prepare(tmp_path, gain_e_per_adu=GAIN, black_adu=PEDESTAL)
    assert any(word in note for note in calibration.notes)
    assert calibration.description["offset_taken_off"] == {"recipe": 8}


def test_dark_of_other_exposure_needs_bias(night: Night, tmp_path: Path) -> None:
    night.add(Role.DARK, 4, 0.0, 60.0)
    without = night.prepare(tmp_path, black_adu=PEDESTAL)
    assert any("cannot be scaled" in note for note in without.notes)
    night.add(Role.BIAS, 4, 0.0, 0.0)
    assert night.prepare(tmp_path).description["offset_taken_off"] == {"scaled dark": 8}


def test_flats_that_saturate_are_set_aside(night: Night, tmp_path: Path) -> None:
    night.add(Role.BIAS, 3, 0.0, 0.0)
    night.add(Role.FLAT, 2, 20000.0, 2.0)
    full = night.add(Role.FLAT, 2, 60000.0, 2.0)
    calibration = night.prepare(tmp_path)
    assert [item.path for item in calibration.set_aside] == [frame.path for frame in full]
    assert all("saturates" in item.reason for item in calibration.set_aside)
    assert calibration.description["masters"] == {"3 bias frames (-10 C)": 3, "2 flats": 2}
    counts = calibration.summary["calibration_frames"]
    assert counts["flat"] == {"usable": 2, "in_masters": 2}
    assert counts["bias"] == {"usable": 3, "in_masters": 3}
    assert counts["dark"] == {"usable": 0, "in_masters": 0}


@pytest.mark.parametrize(
    ("well_adu", "said"),
    [
        # all of the converter's range is reached (16 bits), and a well that ends before it
        (65535, "flat saturates: 100 % of the samples of one colour are full (65535 ADU); expose"),
        (
            63000,
            "flat saturates: its brightest colour lies at 63000 of 65535 ADU, in the last tenth of the range, ",
        ),
    ],
)
def test_what_is_said_of_flats_that_are_full(
    night: Night, tmp_path: Path, well_adu: float, said: str
) -> None:
    (full,) = night.add(Role.FLAT, 1, 90000.0, 2.0)
    samples = night.frames[full.path, 0]
    samples[samples > well_adu] = well_adu
    (item,) = night.prepare(tmp_path).set_aside
    assert item.reason.startswith(said)


def test_flat_of_another_filter_is_left_out(night: Night, tmp_path: Path) -> None:
    lights = list(night.lights)
    night.lights.clear()
    for frame in lights:
        made = night.add(Role.LIGHT, 1, SKY, 180.0, filter_name="dual band")
        night.frames[made[0].path, 0] = night.frames[frame.path, 0]
    night.add(Role.FLAT, 3, 20000.0, 2.0, filter_name="clear")
    calibration = night.prepare(tmp_path, black_adu=PEDESTAL)
    assert any("filter clear instead of dual band" in note for note in calibration.notes)
    assert calibration.description["lights_with_flat"] == 0


def test_masters_are_used_again(night: Night, tmp_path: Path) -> None:
    night.add(Role.DARK, 3, 0.0, 180.0)
    first = night.prepare(tmp_path)
    before = {path: path.stat().st_mtime_ns for path in tmp_path.iterdir()}
    second = night.prepare(tmp_path)
    assert {path: path.stat().st_mtime_ns for path in tmp_path.iterdir()} == before
    assert not [path for path in before if path.name.startswith(".")]
    assert first.noise == second.noise
    np.testing.assert_array_equal(_image(first, night.lights[0]), _image(second, night.lights[0]))


def test_a_rectangle_is_the_cut_of_the_whole(night: Night, tmp_path: Path) -> None:
    night.add(Role.DARK, 3, 0.0, 180.0)
    calibration = night.prepare(tmp_path)
    source = calibration.open(night.lights[1])
    whole = _image(calibration, night.lights[1])
    np.testing.assert_array_equal(source.read(11, 60, 7, 201), whole[11:60, 7:201])
    assert source.shape == SHAPE


def test_switches_of_the_recipe(night: Night, tmp_path: Path) -> None:
    night.add(Role.DARK, 3, 0.0, 180.0)
    calibration = night.prepare(tmp_path, Calibrate(darks="off", defects="off"), black_adu=PEDESTAL)
    assert calibration.description["offset_taken_off"] == {"recipe": 8}
    assert np.isfinite(_image(calibration, night.lights[0])).all()


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
    assert np.isfinite(_image(calibration, night.lights[0])).mean() > 0.995


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
