from __future__ import annotations

from importlib import resources

import numpy as np
import pytest

from fourlight.sensor.response import (
    FILTERS,
    SENSORS,
    WAVE_NM,
    electrons_per_photon,
    filter_curve,
    sensor_curves,
)


@pytest.mark.parametrize("name", sorted(SENSORS))
def test_curves_are_colours(name: str) -> None:
    curves = sensor_curves(name, 0.8)
    peaks = WAVE_NM[curves.argmax(axis=1)]
    assert peaks[2] < peaks[1] < peaks[0]
    assert curves.max() == pytest.approx(0.8)
    assert np.all(curves >= 0.0)
    assert np.all(curves[:, WAVE_NM > 700.0] == 0.0)


def test_a_value_of_the_source_table() -> None:
    # Row 599 nm of the source table: red 96.594063412275 per cent of the highest value of the three.
    text = resources.files("fourlight.sensor").joinpath("tables", "bsi_8mp.csv").read_text("utf-8")
    table = np.array([row.split(",") for row in text.splitlines()[1:] if row], dtype=float)
    found = electrons_per_photon(sensor_curves("bsi-8mp", 1.0), 599.0)
    assert found[0] == pytest.approx(96.594063412275 / table[:, 1:].max(), rel=1e-9)


def test_every_table_names_its_source() -> None:
    note = resources.files("fourlight.sensor").joinpath("tables", "SOURCES.md").read_text("utf-8")
    for table in SENSORS.values():
        assert table in note
    assert "MIT" in note


def test_filter_width_is_that_at_half_maximum() -> None:
    curve = filter_curve(((550.0, 100.0),), 0.9)
    assert curve[WAVE_NM == 550.0][0] == pytest.approx(0.9)
    assert curve[WAVE_NM == 500.0][0] == pytest.approx(0.45)
    assert curve[WAVE_NM == 600.0][0] == pytest.approx(0.45)
    assert curve[WAVE_NM == 620.0][0] < 0.01


def test_dual_band_passes_its_lines_and_little_else() -> None:
    curve = filter_curve(FILTERS["dual-7nm"])
    assert np.interp(656.28, WAVE_NM, curve) > 0.99
    assert np.interp(500.68, WAVE_NM, curve) > 0.99
    assert np.trapezoid(curve, WAVE_NM) == pytest.approx(14.0, rel=0.1)


def test_unknown_sensor_is_refused() -> None:
    with pytest.raises(ValueError, match="bsi-8mp"):
        sensor_curves("no-such")
