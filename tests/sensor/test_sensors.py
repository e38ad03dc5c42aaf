"""The cameras that come along, and the mean that stands for any other."""

from __future__ import annotations

from importlib import resources
from typing import get_args

import numpy as np
import pytest

from fourlight.core.passband import weights
from fourlight.errors import InputError
from fourlight.sensor.response import WAVE_NM
from fourlight.sensor.sensors import SENSORS, TABLE_ERROR, balanced, generic, names, sensor
from fourlight.simulate.scene_camera import Camera


@pytest.mark.parametrize("name", names())
def test_curves_are_colours(name: str) -> None:
    curves = sensor(name).at(WAVE_NM)
    peaks = WAVE_NM[curves.argmax(axis=1)]
    assert peaks[2] < peaks[1] < peaks[0]
    assert curves.max() == pytest.approx(1.0)
    assert np.all(curves >= 0.0)
    assert np.all(sensor(name).sigma >= 0.99 * TABLE_ERROR * sensor(name).curves)


def test_a_value_of_the_source_table() -> None:
    # Row 599 nm of the source: red 96.594063412275 per cent of the highest value of the three, 99.47... per cent.
    text = resources.files("fourlight.sensor").joinpath("tables", "bsi_8mp.csv").read_text("utf-8")
    table = np.array([row.split(",") for row in text.splitlines()[1:] if row], dtype=float)
    found = sensor("bsi-8mp").at(np.array([599.0]))[0, 0]
    assert found == pytest.approx(96.594063412275 / table[:, 1:].max(), rel=1e-9)


def test_the_reflex_camera_has_the_numbers_of_its_library() -> None:
    colour = pytest.importorskip("colour")
    (key,) = (name for name in colour.MSDS_CAMERA_SENSITIVITIES if name.startswith("Nikon 5100"))
    data = colour.MSDS_CAMERA_SENSITIVITIES[key]
    ours = sensor("slr-16mp")
    np.testing.assert_array_equal(ours.wave_nm, data.wavelengths)
    np.testing.assert_allclose(
        (ours.curves / ours.curves.max(axis=1, keepdims=True)).T, data.values, atol=1e-7
    )


def test_every_table_names_its_source() -> None:
    note = resources.files("fourlight.sensor").joinpath("tables", "SOURCES.md").read_text("utf-8")
    for table, _ in SENSORS.values():
        assert table in note
    assert "MIT" in note
    assert "BSD 3-Clause" in note


def test_scenes_can_name_every_sensor() -> None:
    assert set(get_args(Camera.model_fields["sensor"].annotation)) == set(SENSORS)


def test_unknown_camera_is_refused_with_the_nearest() -> None:
    with pytest.raises(InputError, match=r"camera 'bsi-8pm': no such camera; did you mean bsi-8mp\? \(a CSV"):
        sensor("bsi-8pm")


def test_own_scales_are_put_where_others_have_them() -> None:
    """By hand from the tables of others: logarithms of red over green, their mean and their scatter."""
    others = [sensor(name).curves.max(axis=1) for name in ("bsi-8mp", "bsi-5mp")]
    red = np.log([tops[0] / tops[1] for tops in others])
    found = sensor("slr-16mp")
    tops = found.curves.max(axis=1)
    assert tops[0] / tops[1] == pytest.approx(np.exp(red.mean()))
    at_top = found.curves[0].argmax()
    scatter = red.std(ddof=1) * np.sqrt(1.5)
    assert found.sigma[0, at_top] == pytest.approx(np.hypot(scatter, TABLE_ERROR) * tops[0], rel=1e-6)
    green = found.curves[1].argmax()
    assert found.sigma[1, green] == pytest.approx(TABLE_ERROR * tops[1], rel=1e-6)


def test_the_generic_camera_is_the_mean_of_tables_with_the_same_green() -> None:
    found = generic()
    low, high = found.range_nm
    assert (low, high) == (400.0, 700.0)
    curves = np.array([sensor(name).at(found.wave_nm) for name in SENSORS])
    curves /= (curves[:, 1] @ weights(found.wave_nm))[:, None, None]
    mean = curves.mean(axis=0)
    np.testing.assert_allclose(found.curves, mean / mean.max(), rtol=1e-12)


def test_its_uncertainty_is_at_least_the_spread_of_the_tables() -> None:
    found = generic()
    curves = np.array([sensor(name).at(found.wave_nm) for name in SENSORS])
    curves /= (curves[:, 1] @ weights(found.wave_nm))[:, None, None]
    spread = curves.std(axis=0, ddof=1) * np.sqrt(4 / 3) / curves.mean(axis=0).max()
    assert np.all(found.sigma >= spread * 0.999)
    assert np.all(found.sigma <= spread + 0.15 * found.curves + 1e-9)


def test_each_table_is_within_what_the_generic_camera_allows() -> None:
    """Of 9 colours, no more than one leaves two standard deviations on more than a tenth of wavelengths."""
    found = generic()
    factor = found.curves[1] @ weights(found.wave_nm)
    far = []
    for name in SENSORS:
        curves = sensor(name).at(found.wave_nm)
        curves *= factor / (curves[1] @ weights(found.wave_nm))
        far += [np.mean(np.abs(curves - found.curves) > 2 * found.sigma, axis=1)]
    assert (np.concatenate(far) > 0.1).sum() <= 1


def test_a_single_table_has_no_spread_to_tell() -> None:
    assert balanced(sensor("slr-16mp")).scale == "by colour"
    with pytest.raises(InputError, match="two are needed"):
        generic(("bsi-8mp",))


@pytest.mark.parametrize("name", names())
def test_nobody_can_change_a_camera_for_the_others(name: str) -> None:
    with pytest.raises(ValueError, match="read-only"):
        sensor(name).curves[0, 0] = 1.0
