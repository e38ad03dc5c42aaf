"""Bias frames that are cut off at zero are refused; their noise would be told too small."""

from __future__ import annotations

from pathlib import Path

import pytest

from bench_sensor import Sensor, put_bias, put_flats
from fourlight.engine import Silent
from fourlight.errors import InputError
from fourlight.pipeline.camera import measured_camera


def test_a_bias_cut_off_at_zero_is_refused(tmp_path: Path) -> None:
    """The variance of such pairs makes 2.3 ADU of a read noise of 4.0."""
    sensor = Sensor(41, gain=1.0, read=4.0, zero=0.0, shape=(96, 120))
    put_flats(tmp_path / "flats", sensor, [5000.0])
    put_bias(tmp_path / "bias", sensor, 4)
    with pytest.raises(
        InputError, match=r"cut off at 0 ADU, below which their noise would put 4[3-8].[0-9] %"
    ):
        measured_camera(tmp_path / "flats", tmp_path / "bias", None, None, Silent())


def test_a_bias_close_above_zero_is_measured(tmp_path: Path) -> None:
    """12 ADU are three standard deviations: 0.1 % is cut off, which takes 0.2 % of the noise."""
    sensor = Sensor(42, gain=1.0, read=4.0, zero=12.0, shape=(96, 120))
    put_flats(tmp_path / "flats", sensor, [5000.0, 15000.0], each=4)
    put_bias(tmp_path / "bias", sensor, 8)
    noise = measured_camera(tmp_path / "flats", tmp_path / "bias", None, None, Silent()).read_noise
    assert noise.value == pytest.approx(4.0, abs=4 * noise.error)
