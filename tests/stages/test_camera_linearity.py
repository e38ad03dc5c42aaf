"""Linearity from flats of many exposures, even and vignetted, of sensors that are straight and that bend."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from bench_sensor import Sensor, frames_of, open_source, put_bias, put_flats
from fourlight.core.linearity import linearity
from fourlight.stages.camera_frames import flat_pairs, in_sequence, pairs_in_time
from fourlight.stages.camera_linearity import Lines, linearities
from fourlight.stages.camera_pairs import dark_of, flat_points, look
from fourlight.stages.camera_transfer import transfers

NAMES = ("R", "G1", "G2", "B")
FILLING = np.linspace(3000.0, 108000.0, 15).tolist()
"""Electrons in the middle: of wells of 50,000, to far beyond full there and less than full in the corners."""


def lines_of(
    folder: Path, sensor: Sensor, levels: list[float], unlit: bool = False
) -> tuple[list[Lines], str]:
    """Linearity from flats of some levels; ``unlit``: the first of them show no light."""
    put_flats(folder / "flats", sensor, levels)
    put_bias(folder / "bias", sensor, 4)
    dark = dark_of(pairs_in_time(frames_of(folder / "bias")), open_source, 1.0, 1, lambda: None)
    lit = sorted(frames_of(folder / "flats"), key=in_sequence)
    seen = np.array([look(f, open_source).level for f in lit]) - dark.level.mean(axis=1)
    groups = flat_pairs(lit, seen, "flats", lambda _: None)
    points = flat_points(groups, open_source, dark, np.inf, 1, lambda: None)
    if unlit:
        points.level[points.group == 0] = np.nan
    return linearities(groups, points, transfers(points, dark, NAMES, np.inf, "flats"), NAMES)


def test_of_a_linear_sensor(tmp_path: Path) -> None:
    levels = [1000.0, 5000.0, 10000.0, 20000.0, 30000.0, 40000.0, 50000.0]
    lines, lacking = lines_of(tmp_path / "many", Sensor(11, vignetting=0.0), levels)
    assert lacking == ""
    for line in lines:
        # levels of 1000 e are known to 1 / sqrt(1000 * 38,400 samples); the PRNU is the same in all
        assert np.abs(line.line.deviation[line.line.inside]).max() < 1e-3
    few, lacking = lines_of(tmp_path / "few", Sensor(11, vignetting=0.0), levels[:3])
    assert few == []
    assert "(found: 3 exposures)" in lacking


def test_a_linear_sensor_is_straight_where_vignetted_flats_fill_it(tmp_path: Path) -> None:
    """Means over the whole frame bend by per cents there, for their bright regions are full."""
    lines, lacking = lines_of(tmp_path, Sensor(12, full=50000.0, vignetting=0.7), FILLING)
    assert lacking == ""
    assert [line.name for line in lines] == list(NAMES)
    for line in lines:
        assert np.abs(line.line.deviation[line.line.inside]).max() < 1e-3
        assert line.line.inside.sum() >= 7
        assert line.level[line.line.inside].max() > 0.6 * 50000.0 / 1.5


def test_an_exposure_that_shows_no_light_leaves_the_others(tmp_path: Path) -> None:
    levels = np.linspace(50.0, 45000.0, 8).tolist()
    whole, part = (
        lines_of(tmp_path / str(unlit), Sensor(14, vignetting=0.0), levels, unlit)[0]
        for unlit in (False, True)
    )
    for one, other in zip(whole, part, strict=True):
        assert other.line.inside.tolist() == one.line.inside.tolist()
        assert other.line.deviation[1:] == pytest.approx(one.line.deviation[1:], abs=1e-3)


@pytest.mark.parametrize("vignetting", [0.0, 0.7])
def test_a_bend_is_found_in_even_and_in_vignetted_flats(tmp_path: Path, vignetting: float) -> None:
    """3 % of a full well are missing, in proportion to light: what is left of a line follows from that alone."""
    sensor = Sensor(13, full=50000.0, vignetting=vignetting, bend=0.03)
    lines, _ = lines_of(tmp_path, sensor, FILLING)
    assert lines
    for line in lines:
        bright = line.exposure_s[line.line.inside]
        light = 50000.0 * np.linspace(0.0, 1.0, 2001)
        level = light * (1 - 0.03 * light / 50000.0) / sensor.gain
        # the light of each exposure, by the level it gave
        share = np.interp(line.level[line.line.inside], level, light)
        expected = linearity(
            share, np.interp(share, light, level), 1.06 * np.interp(share, light, level).max()
        )
        assert expected is not None
        assert bright.size == share.size
        assert line.line.lowest == pytest.approx(expected.lowest, abs=1e-3)
        assert line.line.highest == pytest.approx(expected.highest, abs=1e-3)
        assert line.line.lowest < -0.004
