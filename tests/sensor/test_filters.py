"""Filters: their bands, names, and what a converging beam does to them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fourlight.core.passband import cone, equivalent_nm, mean_nm, spans, tilted_nm
from fourlight.core.spectra import LINES_NM
from fourlight.errors import InputError
from fourlight.sensor.filters import FILTERS, Band, Beam, Filter, in_bands, named_filter
from fourlight.sensor.response import WAVE_NM

FINE = np.arange(400.0, 720.0, 0.05)


def test_width_is_that_at_half_maximum() -> None:
    found = in_bands([(550.0, 100.0)], 0.9).at([500.0, 550.0, 600.0, 620.0])
    np.testing.assert_allclose(found[:3], [0.45, 0.9, 0.45])
    assert found[3] < 0.01


def test_dual_band_passes_its_lines_and_little_else() -> None:
    dual = named_filter("dual-7nm")
    assert np.all(dual.at([LINES_NM["halpha"], LINES_NM["oiii"]]) > 0.99)
    assert np.trapezoid(dual.at(WAVE_NM), WAVE_NM) == pytest.approx(14.0, rel=0.1)


@pytest.mark.parametrize(
    ("name", "passed", "held"),
    [
        ("none", tuple(LINES_NM), ()),
        ("luminance", tuple(LINES_NM), ()),
        ("uv-ir-cut", tuple(LINES_NM), ()),
        ("dual-7nm", ("halpha", "nii", "nii_weak", "oiii"), ("hbeta", "oiii_weak", "sii")),
        ("dual-3nm", ("halpha", "oiii"), ("hbeta", "oiii_weak", "nii", "sii")),
        ("dual-wide", ("halpha", "nii", "oiii", "oiii_weak", "hbeta"), ("sii",)),
        ("dual-sii-7nm", ("sii", "sii_strong", "oiii"), ("halpha", "nii", "hbeta")),
        ("tri-band", ("halpha", "nii", "oiii", "hbeta"), ("sii", "oiii_weak")),
        ("quad-band", ("halpha", "nii", "oiii", "oiii_weak", "hbeta", "sii", "sii_strong"), ()),
        ("halpha-7nm", ("halpha", "nii"), ("oiii", "sii")),
        ("oiii-7nm", ("oiii",), ("halpha", "hbeta")),
        ("sii-7nm", ("sii", "sii_strong"), ("halpha", "nii")),
        ("wheel-red", ("halpha", "nii", "sii", "sii_strong"), ("oiii", "hbeta")),
        ("wheel-green", ("oiii",), ("halpha", "hbeta", "sii")),
        ("wheel-blue", ("hbeta", "oiii_weak"), ("halpha", "sii")),
    ],
)
def test_each_filter_passes_the_lines_it_is_for(name, passed, held) -> None:
    one = named_filter(name)
    assert all(one.at(LINES_NM[line]) > 0.5 for line in passed)
    assert all(one.at(LINES_NM[line]) < 0.2 for line in held)


def test_every_filter_has_its_lines_told() -> None:
    (marks,) = (
        mark for mark in test_each_filter_passes_the_lines_it_is_for.pytestmark if mark.name == "parametrize"
    )
    assert {case[0] for case in marks.args[1]} == set(FILTERS)


def test_a_beam_moves_a_band_to_shorter_waves_by_the_mean_shift() -> None:
    """Of a band far from its ends, the mean wavelength moves as its centre does, averaged over the cone."""
    band = in_bands([(656.3, 3.0)])
    beam = Beam(3.0, 0.4)
    sin2, share = cone(3.0, 0.4)
    expected = 656.3 * float(share @ tilted_nm(1.0, sin2, band.index))
    assert mean_nm(FINE, band.at(FINE, beam)) == pytest.approx(expected, abs=0.01)
    assert expected < 656.3 - 0.5


@settings(deadline=None)
@given(st.floats(1.4, 12.0), st.floats(0.0, 0.6))
def test_a_beam_keeps_light_and_makes_bands_no_narrower(f_ratio, obstruction) -> None:
    """To the part by which wavelengths shrink, the integral over wavelength stays (Lissberger & Wilcock 1959)."""
    band = in_bands([(600.0, 5.0)])
    beam = Beam(f_ratio, obstruction)
    straight, askew = band.at(FINE), band.at(FINE, beam)
    sin2, share = cone(f_ratio, obstruction)
    shrunk = float(share @ tilted_nm(1.0, sin2, band.index))
    assert float(equivalent_nm(FINE, askew) / equivalent_nm(FINE, straight)) == pytest.approx(
        shrunk, abs=2e-4
    )
    ((low, high),), ((low0, high0),) = (spans(FINE, curve, 0.1) for curve in (askew, straight))
    assert high - low > (high0 - low0) * shrunk - 0.02
    assert askew.max() <= 1.0 + 1e-12


def test_a_fast_beam_costs_a_narrow_filter_its_line() -> None:
    """A band of 3 nm at f/2, index 1.8: rays of the edge are moved by 656.3 / 8 / 3.24 / 4 = 6.3 nm, two bands off."""
    narrow = named_filter("dual-3nm")
    assert narrow.at(LINES_NM["halpha"]) > 0.99
    assert 0.1 < narrow.at(LINES_NM["halpha"], Beam(2.0)) < 0.4
    assert narrow.at(LINES_NM["halpha"], Beam(10.0)) > 0.98


def test_a_table_moves_as_a_design_does() -> None:
    design = named_filter("dual-7nm")
    table = Filter("table", table=(FINE, design.at(FINE)))
    np.testing.assert_allclose(table.at(FINE[200:], Beam(4.0)), design.at(FINE[200:], Beam(4.0)), atol=2e-3)


def test_nothing_in_front_stays_nothing_in_any_beam() -> None:
    np.testing.assert_allclose(named_filter("none").at(FINE, Beam(2.0)), 1.0)


def test_a_table_that_ends_in_the_light_tells_nothing_beyond() -> None:
    wave = np.arange(450.0, 601.0)
    Filter("dark ends", table=(wave, np.exp(-(((wave - 500.0) / 10.0) ** 2)))).need(656.28, "Hα")
    with pytest.raises(InputError, match=r"runs from 450 to 600 nm and still passes 90 % at its end, Hα"):
        Filter("open end", table=(wave, np.full(151, 0.9))).need(656.28, "Hα")


def test_unknown_filter_is_refused_with_the_nearest() -> None:
    with pytest.raises(
        InputError, match=r"filter 'dual-8nm': no such filter; did you mean dual-\dnm\? \(a CSV"
    ):
        named_filter("dual-8nm")


@pytest.mark.parametrize(
    "make",
    [
        lambda: Band(656.3, 0.0),
        lambda: Band(656.3, -7.0),
        lambda: Band(float("nan"), 7.0),
        lambda: Band(656.3, float("inf")),
        lambda: Band(656.3, 7.0, 1.2),
        lambda: Band(656.3, 7.0, 0.0),
        lambda: Band(656.3, 7.0, 0.9, 7.0),
        lambda: Band(6563.0, 7.0),
        lambda: Beam(0.5),
        lambda: Beam(float("nan")),
        lambda: Beam(5.0, 1.0),
        lambda: Beam(5.0, -0.1),
        lambda: Filter("x", index=1.0),
        lambda: Filter("x", index=float("nan")),
    ],
)
def test_what_cannot_be_is_refused(make) -> None:
    with pytest.raises(InputError, match="needed"):
        make()


@pytest.mark.parametrize(
    ("bands", "lines"),
    [
        ((650, 100), False),
        ((501, 30), True),
        ((501, 30, 656, 30), True),
        ((501, 50, 656, 50), False),
        ((830, 300), False),
    ],
)
@pytest.mark.parametrize("best", [1.0, 0.3])
def test_a_filter_for_lines_is_narrow_with_all_its_bands(
    bands: tuple[float, ...], lines: bool, best: float
) -> None:
    """However much it passes at its best, and wherever the camera ends."""
    made = Filter("made up", tuple(Band(*bands[k : k + 2], best) for k in range(0, len(bands), 2)))
    assert made.narrow is lines
    wave = np.arange(350.0, 1001.0)
    table = Filter("table", table=(wave, made.at(wave)))
    assert table.width_nm == pytest.approx(made.width_nm, rel=1e-3)
    assert table.narrow is lines


def test_filters_for_lines_are_those_that_are_made_for_them() -> None:
    broad = {"none", "luminance", "uv-ir-cut", "wheel-red", "wheel-green", "wheel-blue"}
    assert {name for name, one in FILTERS.items() if not one.narrow} == broad
    assert not Filter("opaque", table=(np.array([400.0, 700.0]), np.zeros(2))).narrow
