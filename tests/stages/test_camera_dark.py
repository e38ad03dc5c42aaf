"""Dark current and its law, against what was put in."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from bench_sensor import Sensor, frames_of, open_source, put, put_bias
from fourlight.core.regionerror import Measured
from fourlight.frames import RawFrame, Role
from fourlight.stages.camera_dark import (
    Current,
    current_of,
    dark_groups,
    from_scatter,
    law_of,
    longest,
)
from fourlight.stages.camera_frames import pairs_in_time
from fourlight.stages.camera_maps import stacked
from fourlight.stages.camera_pairs import dark_of

GAIN = Measured(1.5, 0.003)
PLAIN = RawFrame(Path("d.fits"), 0, 100, 100, Role.DARK, "header", exposure_s=60.0, temperature_c=-10.0)


def nothing() -> None:
    pass


def test_darks_are_grouped_by_temperature_and_exposure() -> None:
    frames = [
        replace(PLAIN, path=Path(f"{k}.fits"), temperature_c=t, exposure_s=e)
        for k, (t, e) in enumerate(
            [(-10.0, 60.0), (-10.4, 60.0), (-5.0, 60.0), (-10.0, 300.0), (None, 60.0), (-10.1, 60.5)]
        )
    ]
    groups = dark_groups(frames)
    assert sorted((g.exposure_s, len(g.frames)) for g in groups) == [
        (60.0, 1),
        (60.0, 1),
        (60.0, 3),
        (300.0, 1),
    ]
    assert longest(groups).exposure_s == 300.0
    assert dark_groups([]) == []


def test_current_is_that_of_ordinary_samples_and_of_all(tmp_path: Path) -> None:
    """Half of a corner glows, a hundredth of the samples is hot: the darkest parts are what was put in."""
    sensor = Sensor(3, shape=(320, 320))
    put_bias(tmp_path / "bias", sensor, 10)
    rng = np.random.default_rng(4)
    rate = np.full(sensor.shape, 0.05)
    rate[:80, :80] += 0.2
    rate[rng.random(sensor.shape) < 0.01] += 1.0
    for k in range(8):
        put(tmp_path / "dark" / f"{k}.fits", sensor.expose(0.0, 120.0 * rate), "DARK", 120.0)
    dark = dark_of(pairs_in_time(frames_of(tmp_path / "bias")), open_source, 1.0, 1, nothing)
    noise = np.sqrt(dark.variance.mean(axis=1))
    bias = stacked(frames_of(tmp_path / "bias"), open_source, noise, tmp_path / "b", 1)
    (group,) = dark_groups(frames_of(tmp_path / "dark"))
    stack = stacked(group.frames, open_source, noise, tmp_path / "d", 1)
    scatter = from_scatter(group, dark, open_source, GAIN)
    found = current_of(group, stack, bias, scatter, GAIN)
    assert found.temperature_c == -10.0
    assert found.usual.value == pytest.approx(0.05, abs=max(4 * found.usual.error, 0.0015))
    assert found.mean.value == pytest.approx(rate.mean(), rel=0.02)
    # samples that are so hot that their noise stands out do not count there
    assert scatter is not None
    assert 0.05 < scatter.value < 1.05 * rate.mean()


def test_glow_over_a_fifth_of_the_frame_is_in_the_error(tmp_path: Path) -> None:
    """Glow that falls to 1/e over 60 samples, ten times the current in its corner: twelve draws, rms pull."""
    y, x = np.mgrid[:320, :320]
    pulls = []
    for seed in range(12):
        folder = tmp_path / str(seed)
        sensor = Sensor(30 + seed, shape=(320, 320))
        put_bias(folder / "bias", sensor, 8)
        rate = 0.01 + 0.1 * np.exp(-np.hypot(y, x) / 60.0)
        for k in range(4):
            put(folder / "dark" / f"{k}.fits", sensor.expose(0.0, 200.0 * rate), "DARK", 200.0)
        noise = np.full(4, 2.0)
        bias, stack = (
            stacked(frames_of(folder / name), open_source, noise, folder / f"{name} mean", 1)
            for name in ("bias", "dark")
        )
        (group,) = dark_groups(frames_of(folder / "dark"))
        found = current_of(group, stack, bias, None, GAIN).usual
        pulls.append((found.value - 0.01) / found.error)
        assert found.error < 0.1 * 0.01
    assert np.sqrt(np.mean(np.square(pulls))) < 1.5
    assert np.abs(pulls).max() < 3.5


def test_glow_in_short_darks_is_in_the_error(tmp_path: Path) -> None:
    """Darks of 30 s, glow over a quarter of the width, which noise all but hides: rms pull of sixteen draws."""
    y, x = np.mgrid[:320, :480]
    rate = 0.01 + 0.02 * np.exp(-np.hypot(y, 479 - x) / 120.0)
    pulls, errors = [], []
    for seed in range(16):
        folder = tmp_path / str(seed)
        sensor = Sensor(60 + seed, gain=1.27, read=2.4, shape=(320, 480))
        put_bias(folder / "bias", sensor, 10)
        for k in range(6):
            put(folder / "dark" / f"{k}.fits", sensor.expose(0.0, 30.0 * rate), "DARK", 30.0)
        bias, stack = (
            stacked(frames_of(folder / name), open_source, np.full(4, 1.9), folder / f"{name} mean", 1)
            for name in ("bias", "dark")
        )
        (group,) = dark_groups(frames_of(folder / "dark"))
        found = current_of(group, stack, bias, None, Measured(1.27, 0.005)).usual
        pulls.append((found.value - 0.01) / found.error)
        errors.append(found.error)
    assert np.sqrt(np.mean(np.square(pulls))) < 1.7
    assert np.median(errors) < 0.15 * 0.01


def test_a_law_that_does_not_fit_is_told() -> None:
    """Currents that double every 6.6 K from -20 to 20 deg C have no one activation energy."""
    notes: list[str] = []
    told = [
        replace(current(t, 0.01 * 2 ** (t / 6.6)), own_error=0.003 * 0.01 * 2 ** (t / 6.6))
        for t in (-20.0, -10.0, 0.0, 10.0, 20.0)
    ]
    law, _ = law_of(told, notes.append)
    assert law is not None
    (said,) = notes
    assert said.startswith(
        "Dark current does not follow an activation energy over these temperatures (chi-squared"
    )


def test_scatter_tells_the_current_whatever_the_level_does(tmp_path: Path) -> None:
    """A camera that shifts the level of darks to that of bias frames."""
    sensor = Sensor(5, shape=(320, 320))
    put_bias(tmp_path / "bias", sensor, 10)
    for k in range(8):
        shifted = sensor.expose(0.0, 40.0).astype(int) - round(40.0 / 1.5)
        put(tmp_path / "dark" / f"{k}.fits", shifted.astype(np.uint16), "DARK", 100.0)
    dark = dark_of(pairs_in_time(frames_of(tmp_path / "bias")), open_source, 1.0, 1, nothing)
    found = from_scatter(dark_groups(frames_of(tmp_path / "dark"))[0], dark, open_source, GAIN)
    assert found is not None
    assert found.value == pytest.approx(0.4, abs=4 * found.error)
    assert found.error < 0.01
    (alone,) = dark_groups(frames_of(tmp_path / "dark")[:1])
    assert from_scatter(alone, dark, open_source, GAIN) is None


def current(temperature_c: float | None, value: float, exposure_s: float = 60.0) -> Current:
    told = Measured(value, 0.02 * value)
    return Current(temperature_c, exposure_s, 6, told, told.error, told, None)


def test_law_is_from_the_longest_exposure_of_each_temperature() -> None:
    notes: list[str] = []
    currents = [current(t, 0.01 * 2 ** (t / 7.0)) for t in (-20.0, -10.0, 0.0)]
    law, lacking = law_of([*currents, current(-10.3, 99.0, 1.0)], notes.append)
    assert law is not None
    assert law.doubling_k == pytest.approx(7.0, rel=1e-6)
    assert lacking == ""
    assert notes == []


def test_what_is_missing_for_a_law_is_said() -> None:
    notes: list[str] = []
    assert law_of([current(-10.0, 0.1)], notes.append) == (
        None,
        "darks of two or more temperatures (1 found)",
    )
    assert "none is stated" in law_of([current(None, 0.1)], notes.append)[1]
    law, lacking = law_of([current(-10.0, 0.2), current(0.0, 0.1)], notes.append)
    assert law is None
    assert "take longer ones" in lacking
    law, _ = law_of([current(-10.0, 0.1), current(0.0, 0.2)], notes.append)
    assert law is not None
    assert notes == ["The law of temperature rests on two temperatures: nothing checks it."]
