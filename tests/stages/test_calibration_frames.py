"""Which darks and flats go with a light, of a simulated sensor; and what is said of those that do not."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from fourlight.frames import Role
from sensor_night import GAIN, PEDESTAL, SKY, Night, image_of, two_nights


@pytest.fixture
def night() -> Night:
    return two_nights()


def test_each_light_gets_the_dark_of_its_temperature(night: Night, tmp_path: Path) -> None:
    warm = night.add(Role.LIGHT, 2, SKY, 180.0, temperature_c=5.0)
    night.add(Role.DARK, 4, 0.0, 180.0)
    for frame in night.add(Role.DARK, 4, 0.0, 180.0, temperature_c=6.0):
        night.frames[frame.path, 0] += 40
    calibration = night.prepare(tmp_path, gain_e_per_adu=GAIN)
    cold_level = np.nanmedian(image_of(calibration, night.lights[0]))
    assert np.nanmedian(image_of(calibration, warm[0])) == pytest.approx(cold_level - 40 * GAIN, abs=1.5)
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
