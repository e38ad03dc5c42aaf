"""Passbands: shape, shift in a beam, and what sums them up, against synphot and the closed forms of the integrals."""

from __future__ import annotations

import csv
from importlib import resources
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fourlight.core.passband import (
    cone,
    edge_power,
    equivalent_nm,
    flat_top,
    mean_nm,
    pivot_nm,
    spans,
    tilted_nm,
    weights,
)

AUTHORITY = Path(__file__).parents[1] / "authorities" / "spectral" / "bands.csv"


def rows():
    with AUTHORITY.open(encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


@pytest.mark.parametrize("row", rows(), ids=lambda row: f"{row['table']} {row['colour']}")
def test_sums_are_those_of_synphot(row):
    """0.02 nm: synphot's band falls to zero within 1e-6 nm of the table's ends."""
    table = resources.files("fourlight.sensor").joinpath("tables", f"{row['table']}.csv").read_text("utf-8")
    data = np.array([line.split(",") for line in table.splitlines()[1:] if line], float)
    wave, curve = data[:, 0], data[:, 1 + "RGB".index(row["colour"])] / 100
    assert pivot_nm(wave, curve) == pytest.approx(float(row["pivot_nm"]), abs=0.02)
    assert mean_nm(wave, curve) == pytest.approx(float(row["mean_nm"]), abs=0.02)
    assert float(equivalent_nm(wave, curve)) == pytest.approx(float(row["equivalent_nm"]), rel=1e-4)
    width = float(equivalent_nm(wave, curve)) / curve.max()
    assert width == pytest.approx(float(row["rectangular_nm"]), rel=1e-4)


def test_the_pivot_of_a_box_is_the_root_of_its_closed_form():
    """sqrt((b^2 - a^2) / 2 / ln(b / a)) for a box from a to b."""
    wave = np.linspace(500.0, 600.0, 10_001)
    assert pivot_nm(wave, np.ones_like(wave)) == pytest.approx(
        np.sqrt((600**2 - 500**2) / 2 / np.log(1.2)), abs=1e-4
    )


@settings(deadline=None)
@given(st.floats(0.003, 0.8))
def test_an_edge_is_as_wide_as_it_is_said_to_be(edge):
    power = edge_power(edge)
    wave = np.linspace(500.0, 600.0, 200_001)
    fall = flat_top(wave, 500.0, 100.0, power)
    ninety, ten = np.interp([-0.9, -0.1], -fall, wave)
    assert (ten - ninety) / 100 == pytest.approx(edge, abs=2e-4)


@pytest.mark.parametrize("power", [2.0, 8.0, 60.0])
def test_width_is_that_at_half_maximum_whatever_the_edges(power):
    wave = np.linspace(600.0, 700.0, 20_001)
    ((low, high),) = spans(wave, flat_top(wave, 656.3, 7.0, power))
    assert (low, high) == pytest.approx((652.8, 659.8), abs=0.01)


def test_far_from_a_band_nothing_overflows():
    assert flat_top([200.0, 2000.0], 656.3, 0.5, 5000.0).tolist() == [0.0, 0.0]


def test_shift_of_a_tilted_filter():
    """A public calculator of filter makers: 532 nm, 10 degrees, index 1.85 gives 529.65 nm, a shift of -2.3488 nm."""
    moved = float(tilted_nm(532.0, np.sin(np.radians(10.0)) ** 2, 1.85))
    assert moved == pytest.approx(529.65, abs=0.005)
    assert moved - 532.0 == pytest.approx(-2.3488, abs=5e-4)


def test_mean_shift_in_a_full_cone_is_half_that_of_its_edge():
    """The rule of thumb of the same calculator; to first order exact for an evenly lit aperture."""
    sin2, share = cone(3.0, 0.0)
    mean = float(share @ tilted_nm(656.28, sin2, 1.8)) - 656.28
    edge = float(tilted_nm(656.28, 1 / 36, 1.8)) - 656.28
    assert mean == pytest.approx(edge / 2, rel=0.005)


@pytest.mark.parametrize(("f_ratio", "obstruction"), [(2.0, 0.0), (2.0, 0.5), (5.0, 0.3), (0.7, 0.0)])
def test_mean_shift_in_a_cone_is_the_closed_integral(f_ratio, obstruction):
    """Integral of sqrt(1 - s / n^2) over s = sin^2: -2 n^2 / 3 (1 - s / n^2)^(3/2)."""
    high = 1 / (2 * f_ratio) ** 2
    low = high * obstruction**2
    upper, lower = ((1 - s / 1.8**2) ** 1.5 for s in (high, low))
    exact = 2 * 1.8**2 / 3 * (lower - upper) / (high - low)
    sin2, share = cone(f_ratio, obstruction)
    assert float(share.sum()) == pytest.approx(1.0, abs=1e-12)
    assert float(share @ tilted_nm(1.0, sin2, 1.8)) == pytest.approx(exact, rel=1e-10)


def test_a_ring_is_bluer_than_a_full_aperture():
    ring, full = (
        float(share @ tilted_nm(656.28, sin2, 1.8)) for sin2, share in (cone(2.0, 0.5), cone(2.0, 0.0))
    )
    assert ring < full < 656.28


def test_slow_light_is_straight():
    sin2, share = cone(1e4, 0.0)
    assert float(share @ tilted_nm(656.28, sin2, 1.5)) == pytest.approx(656.28, abs=1e-6)


def test_bands_are_found_one_by_one_and_up_to_the_ends():
    wave = np.arange(400.0, 701.0)
    curve = np.where((wave < 420) | ((wave > 500) & (wave < 510)), 1.0, 0.0)
    found = spans(wave, curve)
    assert [round(edge, 1) for span in found for edge in span] == [400.0, 419.5, 500.5, 509.5]


def test_nothing_has_no_wavelength():
    wave, empty = np.array([400.0, 500.0, 600.0]), np.zeros(3)
    assert spans(wave, empty) == []
    assert np.isnan(mean_nm(wave, empty))
    assert np.isnan(pivot_nm(wave, empty))
    assert float(equivalent_nm(wave, empty)) == 0.0


def test_weights_are_those_of_the_trapezoidal_rule_of_numpy():
    rng = np.random.default_rng(1)
    wave, curve = np.sort(rng.uniform(400, 700, 50)), rng.uniform(0, 1, 50)
    assert float(weights(wave) @ curve) == pytest.approx(float(np.trapezoid(curve, wave)))
