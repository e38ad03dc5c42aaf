"""Magnitudes through passbands against definitions; stars against synphot stand in tests/sky/test_starcolours.py."""

import numpy as np
import pytest

from fourlight.core.abmag import AB_PHOTONS, ab_magnitudes, ab_photons
from fourlight.core.extinction import air_shape, extinction_mag


def test_photons_of_magnitude_zero():
    """Oke & Gunn 1983: 3631 Jy; 1 Jy is 1.5092e7 photons s-1 m-2 per unit of ln wavelength (1 / h)."""
    assert pytest.approx(3631 * 1.5092e7 / 1e4, rel=1e-4) == AB_PHOTONS


def test_vega_like_numbers():
    """V = 0 of Bessell 1979 is 3640 Jy, 998.8 photons s-1 cm-2 A-1 at 550 nm: AB 3631 / 3640 of that."""
    assert ab_photons(550.0) == pytest.approx(9988 * 3630.78 / 3640, rel=2e-3)


def test_a_factor_of_ten_is_two_and_a_half_magnitudes_in_any_passband():
    wave = np.linspace(400.0, 700.0, 601)
    curves = np.vstack([np.exp(-0.5 * ((wave - 600) / 30) ** 2), np.linspace(0, 1, 601)])
    light = np.vstack([ab_photons(wave), 10 * ab_photons(wave)])
    assert ab_magnitudes(wave, curves, light) == pytest.approx(np.array([[0, 0], [-2.5, -2.5]]), abs=1e-9)


def test_an_empty_passband_has_no_magnitude():
    wave = np.linspace(400.0, 700.0, 31)
    assert np.isnan(ab_magnitudes(wave, np.zeros((1, 31)), ab_photons(wave)[None])).all()


def test_extinction_of_clear_air():
    """Molecules alone at 550 nm and sea level: 0.098 optical depth (Bodhaine et al. 1999, as remembered), 0.106 mag;
    towards blue the whole rises by about 0.15 mag from 550 to 450 nm, as observatories tabulate."""
    molecules = float(extinction_mag(550.0)) - 0.08
    assert molecules == pytest.approx(0.106, abs=0.003)
    assert float(extinction_mag(450.0) - extinction_mag(550.0)) == pytest.approx(0.15, abs=0.03)


def test_no_air_changes_nothing():
    assert air_shape([400.0, 550.0, 700.0], 0.0).tolist() == [1.0, 1.0, 1.0]
    assert air_shape(550.0, 2.0) == 1.0
