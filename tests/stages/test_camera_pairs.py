"""From files of frames to gain and read noise, against the truth that was put in."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from bench_sensor import Sensor, frames_of, open_source, put, put_bias, put_flats
from fourlight.errors import InputError
from fourlight.stages.camera_curve import curve_of
from fourlight.stages.camera_frames import flat_pairs, in_sequence, pairs_in_time
from fourlight.stages.camera_pairs import Dark, Points, dark_of, flat_points, look
from fourlight.stages.camera_transfer import bend_of, camera_gain, transfers, with_bend

NAMES = ("R", "G1", "G2", "B")


def nothing() -> None:
    pass


def measured(
    folder: Path, sensor: Sensor, levels: list[float], each: int = 2, bias: int = 8
) -> tuple[Points, Dark]:
    put_flats(folder / "flats", sensor, levels, each)
    put_bias(folder / "bias", sensor, bias)
    dark = dark_of(pairs_in_time(frames_of(folder / "bias")), open_source, 1.0, 1, nothing)
    lit = sorted(frames_of(folder / "flats"), key=in_sequence)
    levels_of = np.array([look(f, open_source).level for f in lit]) - dark.level.mean(axis=1)
    groups = flat_pairs(lit, levels_of, "flats", lambda _: None)
    return flat_points(groups, open_source, dark, 65535.0, 1, nothing), dark


@pytest.mark.parametrize(("gain", "read", "zero"), [(1.35, 3.2, 500.0), (4.0, 1.5, 500.0), (4.0, 1.5, 500.4)])
def test_gain_and_read_noise_of_an_unseen_sensor(
    tmp_path: Path, gain: float, read: float, zero: float
) -> None:
    """Against what was put in: chosen, no source; at 4 e/ADU rounding rules the read noise."""
    sensor = Sensor(71, gain=gain, read=read, zero=zero)
    points, dark = measured(tmp_path, sensor, [2000.0, 8000.0, 20000.0], each=4)
    places = transfers(points, dark, NAMES, 65535.0, "flats")
    found = [camera_gain(places, what, 0.0, lambda _: None) for what in ("gain", "read_noise")]
    assert dark.coarse is (gain == 4.0)
    assert found[0].value == pytest.approx(gain, rel=0.01)
    assert found[1].value == pytest.approx(read, rel=0.05)
    assert abs(found[0].value - gain) < 4 * found[0].error
    assert abs(found[1].value - read) < 4 * found[1].error
    assert found[0].error < 0.005 * gain
    assert found[1].error < 0.02 * read


def test_noise_without_light_holds_rounding(tmp_path: Path) -> None:
    """A uniform distribution has 1 / 12 (so EMVA 1288 counts it too): sqrt(3.2^2 + 1.35^2 / 12) = 3.22 e."""
    points, dark = measured(tmp_path, Sensor(5, gain=1.35, read=3.2), [8000.0])
    for place in transfers(points, dark, NAMES, 65535.0, "flats"):
        assert place.dark_noise.value**2 - place.read_noise.value**2 == pytest.approx(
            place.gain.value**2 / 12, rel=1e-6
        )
        assert place.dark_noise.value == pytest.approx(3.22, rel=0.03)


def test_saturation_is_found_and_limits_the_gain(tmp_path: Path) -> None:
    sensor = Sensor(6, gain=1.0, read=3.0, full=20000.0, vignetting=0.0)
    levels = [1000.0, 4000.0, 8000.0, 12000.0, 16000.0, 19000.0, 24000.0, 42000.0]
    points, dark = measured(tmp_path, sensor, levels)
    for place in transfers(points, dark, NAMES, np.inf, "flats"):
        assert place.saturation.reached
        # the level of the largest variance is one that was looked at: 12,000, 14,400, 16,000 or 19,000 e
        assert 0.55 * 20000.0 < place.saturation.level < 20000.0
        assert abs(place.saturation.level - 20000.0) < 4 * place.saturation.error
        assert place.gain.value == pytest.approx(1.0, rel=0.02)
        level = points.level[:, NAMES.index(place.name)]
        assert level[place.use].max() <= 0.7 * place.saturation.level
        assert place.highest > 0.97 * 20000.0


def test_where_flats_do_not_fill_the_sensor_it_holds_at_least_as_much(tmp_path: Path) -> None:
    points, dark = measured(tmp_path, Sensor(7), [2000.0, 9000.0])
    for place in transfers(points, dark, NAMES, 65535.0, "flats"):
        assert not place.saturation.reached
        assert place.full_e.value == pytest.approx(place.highest * place.gain.value, rel=0.05)


def test_full_flats_alone_are_refused(tmp_path: Path) -> None:
    sensor = Sensor(8, full=20000.0)
    with pytest.raises(InputError, match=r"flats: all flats are full: at \d+ ADU above the bias"):
        transfers(*measured(tmp_path, sensor, [150000.0]), NAMES, 65535.0, "flats")


def test_flats_without_light_are_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="hardly more light than the bias frames"):
        transfers(*measured(tmp_path, Sensor(10), [1e-9]), NAMES, 65535.0, "flats")


def test_a_response_that_bends_is_told(tmp_path: Path) -> None:
    """The variance of bright light is 4 % low: the gain of the upper half of the range is that much higher."""
    points, dark = measured(tmp_path, Sensor(15), [2000.0, 20000.0, 40000.0], each=8)
    notes: list[str] = []
    assert bend_of(points, dark, transfers(points, dark, NAMES, np.inf, "flats"), NAMES, notes.append) < 0.005
    assert notes == []
    bent = replace(points, light=points.light * (1 - 0.04 * (points.level > 10000)))
    found = transfers(bent, dark, NAMES, np.inf, "flats")
    bend = bend_of(bent, dark, found, NAMES, notes.append)
    (note,) = notes
    gain = camera_gain(found, "gain", bend, notes.append)
    assert gain.error > 3 * camera_gain(found, "gain", 0.0, notes.append).error
    assert abs(gain.value - 1.5) < 2 * gain.error, "1.5 e/ADU were put in, and hold where there is no light"
    for place, wider in zip(found, with_bend(found, bend), strict=True):
        for what in ("gain", "read_noise", "dark_noise"):
            one, other = getattr(place, what), getattr(wider, what)
            assert other.value == one.value
            assert other.error == pytest.approx(np.hypot(one.error, bend * one.value))
    assert note.startswith("The gain is 1.")
    assert "the response bends" in note


def test_light_fell_on_one_sample_more_or_less_where_frames_are_odd(tmp_path: Path) -> None:
    """An odd last row and column, and a frame of few regions."""
    sensor = Sensor(12, shape=(61, 75))
    points, dark = measured(tmp_path, sensor, [5000.0], each=8)
    assert points.level.shape[:2] == (4, 4)
    found = camera_gain(transfers(points, dark, NAMES, 65535.0, "flats"), "gain", 0.0, lambda _: None)
    assert found.value == pytest.approx(1.5, abs=4 * found.error)


def test_a_look_knows_copies_steps_and_full_samples(tmp_path: Path) -> None:
    sensor = Sensor(13, gain=0.25, full=1e9)
    put(tmp_path / "a.fits", sensor.expose(30000.0), "FLAT", 1.0)
    put(tmp_path / "b.fits", 4 * (sensor.expose(2000.0) // 4), "FLAT", 1.0)
    put(tmp_path / "c.fits", 4 * (sensor.expose(2000.0) // 4), "FLAT", 1.0)
    (tmp_path / "d.fits").write_bytes((tmp_path / "c.fits").read_bytes())
    full, four, other, copy = (look(f, open_source) for f in frames_of(tmp_path))
    assert full.full == 65535.0
    assert four.full == np.inf
    assert four.step == 4.0
    assert copy.mark == other.mark
    assert four.mark != other.mark


def test_a_look_passes_over_patches_without_a_sample(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("fourlight.stages.masters.PATCH", 100)
    image = 4.0 * (Sensor(13).expose(2000.0) // 4)
    image[:120] = np.nan
    put(tmp_path / "a.fits", image.astype(np.float32), "FLAT", 1.0)
    assert look(frames_of(tmp_path)[0], open_source).step == 4.0


def test_the_curve_holds_all_samples_once(tmp_path: Path) -> None:
    points, dark = measured(tmp_path, Sensor(14), [1000.0, 9000.0])
    (place, *_) = transfers(points, dark, NAMES, 65535.0, "flats")
    curve = curve_of(points, dark, 0, place.use)
    assert sum(part["samples"] for part in curve) == points.count[:, 0].sum()
    assert [part["level"] for part in curve] == sorted(part["level"] for part in curve)
    for part in curve:
        assert part["light"] == pytest.approx(part["level"] / 1.5, abs=5 * part["error"])
