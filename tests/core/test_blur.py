"""Turbulence, diffraction, air mass and the spread inside a filter against GalSim and published values."""

import galsim
import numpy as np
import pytest

from fourlight.core.blur import air_mass, airy_fwhm_arcsec, band, seeing_fwhm_arcsec, seeing_ratio


def test_air_mass_is_that_of_the_formulas_authors():
    """Kasten & Young 1989 as evaluated by pvlib."""
    high = [90, 60, 30, 20, 10, 5, 1, 0]
    known = [0.9997, 1.1540, 1.9943, 2.9031, 5.5860, 10.3058, 26.3106, 37.9196]
    np.testing.assert_allclose(air_mass(high), known, atol=1e-4)


@pytest.mark.parametrize("wave", [400.0, 500.0, 656.28])
def test_turbulence_is_that_of_galsim(wave):
    star = galsim.Kolmogorov(lam=wave, r0_500=0.1, scale_unit=galsim.arcsec)
    assert seeing_fwhm_arcsec(wave, 100.0) == pytest.approx(star.fwhm, rel=1e-3)


def test_turbulence_by_wavelength_and_air_mass():
    """lambda^-0.2: 500 to 656 nm 0.9471, to 400 nm 1.0456; X^0.6: 1.5157 at an air mass of 2."""
    np.testing.assert_allclose(seeing_ratio([656.0, 400.0], 500.0), [0.9471, 1.0456], atol=1e-4)
    assert seeing_fwhm_arcsec(500, 100, 2.0) / seeing_fwhm_arcsec(500, 100) == pytest.approx(1.5157, abs=1e-4)


@pytest.mark.parametrize(
    ("wave", "aperture", "known"),
    [(550.0, 100.0, 1.167), (550.0, 200.0, 0.584), (656.28, 200.0, 0.696), (500.0, 250.0, 0.424)],
)
def test_diffraction(wave, aperture, known):
    """1.02899 lambda / D of Born & Wolf, and GalSim's profile."""
    assert airy_fwhm_arcsec(wave, aperture) == pytest.approx(known, abs=1e-3)
    star = galsim.Airy(lam=wave, diam=aperture / 1000, scale_unit=galsim.arcsec)
    assert airy_fwhm_arcsec(wave, aperture) == pytest.approx(star.fwhm, rel=1e-4)


def test_spread_inside_a_filter_against_the_refraction_of_galsim():
    """Filippenko's air at 2 km is 600 mmHg (80 kPa), 7 deg C, 8 mmHg (1.07 kPa) of vapour."""
    wave = np.arange(420.0, 520.0)
    moved = [
        galsim.dcr.get_refraction(
            w, 45 * galsim.degrees, pressure=79.993, temperature=280.15, H2O_pressure=1.0666
        )
        for w in wave
    ]
    mean, spread = band(wave, np.ones(100))
    assert mean == pytest.approx(469.5)
    assert spread == pytest.approx(np.std(moved) * 206265, rel=0.01)


def test_a_line_is_not_spread():
    wave = np.arange(400.0, 500.0)
    assert band(wave, (wave == 450.0).astype(float)) == (450.0, pytest.approx(0.0, abs=1e-6))
