"""Means of frames as maps: nonuniformity and defects, against what was put in."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from bench_sensor import Sensor, frames_of, open_source, put, put_bias
from fourlight.core.regionerror import Measured
from fourlight.stages.camera_maps import (
    Defect,
    Stack,
    dark_nonuniformity,
    defect_map,
    light_nonuniformity,
    stacked,
)

GAIN, READ = 1.5, 3.0
NOISE = np.full(4, (READ**2 / GAIN**2 + 1 / 12) ** 0.5)


def stack_of(folder: Path, name: str, sensor: Sensor, level: float, count: int, dark: object = 0.0) -> Stack:
    for k in range(count):
        put(folder / name / f"{k:03d}.fits", sensor.expose(level, dark), None, 1.0)  # type: ignore[arg-type]
    noise = np.sqrt(NOISE**2 + level / GAIN**2)
    return stacked(frames_of(folder / name), open_source, noise, folder / f"{name}-maps", 1)


def test_means_are_those_of_plain_numpy_whatever_the_bands(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    sensor = Sensor(1, shape=(90, 70))
    put_bias(tmp_path / "bias", sensor, 6)
    frames = frames_of(tmp_path / "bias")
    plain = np.mean([open_source(f).read(0, 90, 0, 70) for f in frames], axis=0)
    monkeypatch.setattr("fourlight.stages.banding.BAND_BYTES", 20_000)
    found = stacked(frames, open_source, 9 * NOISE, tmp_path / "maps", 2)
    for place in range(4):
        part = plain[place // 2 :: 2, place % 2 :: 2]
        assert found.plane("mean", place) == pytest.approx(part, abs=1e-3)
        assert found.levels[:, place].mean() == pytest.approx(part.mean(), abs=1e-3)
    assert found.frames == 6


def test_rows_that_never_came_leave_the_level_of_a_frame_known(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """They fill one band and part of another; the level is the mean of what came."""
    put_bias(tmp_path / "bias", Sensor(1, shape=(90, 70)), 3)
    frames = frames_of(tmp_path / "bias")
    frames[1] = replace(frames[1], blank_rows=((55, 90),))
    monkeypatch.setattr("fourlight.stages.banding.BAND_BYTES", 20_000)
    found = stacked(frames, open_source, NOISE, tmp_path / "maps", 1)
    for k, rows in enumerate((90, 55, 90)):
        came = open_source(frames[k]).read(0, rows, 0, 70)
        for place in range(4):
            part = came[place // 2 :: 2, place % 2 :: 2]
            assert found.levels[k, place] == pytest.approx(part.mean(dtype=np.float64))


def test_flats_of_a_drifting_lamp_are_brought_to_one_level(tmp_path: Path) -> None:
    sensor = Sensor(2, shape=(80, 80), vignetting=0.0, prnu=0.0, colours=(1, 1, 1, 1))
    for k, share in enumerate((0.9, 1.0, 1.1)):
        put(tmp_path / "f" / f"{k}.fits", sensor.expose(20000 * share), None, 1.0)
    frames = frames_of(tmp_path / "f")
    levels = np.array([[20000 * share / GAIN] * 4 for share in (0.9, 1.0, 1.1)])
    found = stacked(frames, open_source, np.full(4, 94.3), tmp_path / "maps", 1, np.full(4, 400.0), levels)
    # nothing is clipped though single samples scatter by 90 ADU and frames by 1300
    assert found.plane("variance", 0).mean() ** 0.5 == pytest.approx((20000 / GAIN**2) ** 0.5, rel=0.05)


def test_nonuniformity_is_what_was_put_in(tmp_path: Path) -> None:
    """Behind vignetting of a quarter, which is high-passed."""
    sensor = Sensor(3, prnu=0.008, dsnu=2.0)
    bias = stack_of(tmp_path, "bias", sensor, 0.0, 10)
    flat = stack_of(tmp_path, "flat", sensor, 20000.0, 6)
    for place, colour in enumerate(sensor.colours):
        dsnu = dark_nonuniformity(bias, NOISE**2, place)
        assert dsnu.value * GAIN == pytest.approx(2.0, abs=4 * dsnu.error * GAIN)
        assert dsnu.error < 0.05
        light = 20000.0 * colour * (1 - 0.25 / 3)
        temporal = ((light / GAIN**2 + NOISE[0] ** 2) / 6 + NOISE[0] ** 2 / 10) / (light / GAIN) ** 2
        whole, usual = light_nonuniformity(flat, bias, Measured(temporal, 0.0), place)
        assert whole.value == pytest.approx(0.008, abs=4 * whole.error)
        assert usual.value == pytest.approx(whole.value, rel=1e-3)
        assert whole.error < 0.0003


def test_blind_samples_leave_the_usual_nonuniformity_as_it_is(tmp_path: Path) -> None:
    """Each makes the 24 samples of its place around it look 3 % brighter: six times what they differ by."""
    sensor = Sensor(9, prnu=0.005, colours=(1, 1, 1, 1))
    blind = sensor.rng.random(sensor.shape) < 5e-4
    sensor.response[blind] *= 0.2
    bias = stack_of(tmp_path, "bias", sensor, 0.0, 4)
    flat = stack_of(tmp_path, "flat", sensor, 40000.0, 4)
    light = 40000.0 * (1 - 0.25 / 3)
    temporal = ((light / GAIN**2 + NOISE[0] ** 2) / 4 + NOISE[0] ** 2 / 4) / (light / GAIN) ** 2
    whole, usual = light_nonuniformity(flat, bias, Measured(temporal, 0.0), 0)
    assert usual.value == pytest.approx(0.005, abs=3 * usual.error)
    assert usual.error < 0.00008
    assert whole.value > 0.01


def test_defects_are_found_where_they_are(tmp_path: Path) -> None:
    sensor = Sensor(4, shape=(120, 160))
    hot, cold, jumping = (33, 40), (70, 91), (101, 18)
    sensor.response[cold] *= 0.6
    dark = np.full(sensor.shape, 2.0)
    dark[hot] = 120.0
    bias = stack_of(tmp_path, "bias", sensor, 0.0, 12)
    flat = stack_of(tmp_path, "flat", sensor, 15000.0, 6)
    for k in range(12):
        dark[jumping] = 2.0 + 80.0 * (k % 2)
        put(tmp_path / "dark" / f"{k:03d}.fits", sensor.expose(0.0, dark), None, 60.0)
    darks = stacked(frames_of(tmp_path / "dark"), open_source, NOISE, tmp_path / "dark-maps", 1)
    found = defect_map(bias, darks, flat, NOISE, GAIN, 1.0)
    assert found[hot] == Defect.HOT
    assert found[cold] == Defect.COLD
    assert found[jumping] & Defect.UNSTEADY
    assert np.count_nonzero(found) == 3


def test_a_sound_sensor_has_no_defects(tmp_path: Path) -> None:
    """Of 76,800 normal samples none lies beyond 8 standard deviations; coarse steps change nothing."""
    for k, gain in enumerate((1.5, 4.0)):
        sensor = Sensor(5 + k, gain=gain, read=1.5)
        noise = np.full(4, (1.5**2 / gain**2 + 1 / 12) ** 0.5)
        put_bias(tmp_path / f"b{k}", sensor, 8)
        bias = stacked(frames_of(tmp_path / f"b{k}"), open_source, noise, tmp_path / f"m{k}", 1)
        for n in range(4):
            put(tmp_path / f"f{k}" / f"{n}.fits", sensor.expose(15000.0), None, 1.0)
        flat = stacked(frames_of(tmp_path / f"f{k}"), open_source, np.full(4, 100.0), tmp_path / f"n{k}", 1)
        assert np.count_nonzero(defect_map(bias, None, flat, noise, gain, 1.0)) == 0


def test_one_particle_in_a_dark_is_no_defect(tmp_path: Path) -> None:
    sensor = Sensor(8, shape=(80, 80))
    put_bias(tmp_path / "bias", sensor, 8)
    bias = stacked(frames_of(tmp_path / "bias"), open_source, NOISE, tmp_path / "bias-maps", 1)
    for k in range(8):
        hit = np.zeros(sensor.shape)
        if k == 3:
            hit[40, 40] = 3000.0
        put(tmp_path / "dark" / f"{k}.fits", sensor.expose(0.0, hit), None, 60.0)
    darks = stacked(frames_of(tmp_path / "dark"), open_source, NOISE, tmp_path / "dark-maps", 1)
    assert np.count_nonzero(defect_map(bias, darks, None, NOISE, GAIN, 1.0)) == 0
