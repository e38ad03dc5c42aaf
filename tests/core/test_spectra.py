from __future__ import annotations

from pathlib import Path

import astropy.units as u
import numpy as np
import pytest
from astropy.modeling.physical_models import BlackBody

from fourlight.core.spectra import (
    HALPHA_OVER_HBETA,
    LINES_NM,
    NII_WEAK,
    OIII_WEAK,
    RAYLEIGH,
    V0_PHOTONS,
    V_NM,
    black_body,
    dust_law,
)

PYNEB = dict(
    line.split(",")
    for line in (Path(__file__).parents[1] / "authorities" / "spectral" / "lines.csv")
    .read_text("utf-8")
    .splitlines()
)


def test_v_zero_photon_rate() -> None:
    # Bessell 1979: 3640 Jy at V = 0; 1 Jy = 1.5092e7 photons s^-1 m^-2 per unit d(lambda)/lambda.
    assert pytest.approx(3640.0 * 1.5092e7 / 550.0 / 1e4, rel=2e-3) == V0_PHOTONS


def test_rayleigh_is_that_of_astropy() -> None:
    one = (1.0 * u.R).to(u.ph / u.s / u.cm**2 / u.arcsec**2).value
    assert pytest.approx(one, rel=1e-9) == RAYLEIGH


@pytest.mark.parametrize("temperature", [3000.0, 5772.0, 20000.0])
def test_black_body_has_the_shape_of_astropy(temperature: float) -> None:
    wave = np.array([400.0, 550.0, 700.0]) * u.nm
    energy = BlackBody(temperature * u.K, scale=1 * u.erg / (u.s * u.cm**2 * u.AA * u.sr))(wave)
    photons = energy.value * wave.value
    expected = photons / photons[1] * V0_PHOTONS
    np.testing.assert_allclose(black_body(wave.value, temperature), expected, rtol=1e-6)


def test_black_body_is_v_zero_at_v() -> None:
    assert black_body(np.array([V_NM]), 4321.0)[0] == pytest.approx(V0_PHOTONS)


def test_dust_of_the_balmer_lines() -> None:
    # Cardelli, Clayton & Mathis 1989 through PyNeb: k(Halpha) = 2.535, k(Hbeta) = 3.609 at R_V = 3.1.
    assert 3.1 * float(dust_law(656.28)) == pytest.approx(2.535, abs=2e-3)
    assert 3.1 * float(dust_law(486.13)) == pytest.approx(3.609, abs=2e-3)


@pytest.mark.parametrize("name", ["oiii", "oiii_weak", "nii", "nii_weak", "sii", "sii_strong"])
def test_lines_stand_where_pyneb_has_them(name: str) -> None:
    # 0.006 nm: the table is rounded to a hundredth of a nanometre.
    assert LINES_NM[name] == pytest.approx(float(PYNEB[f"{name} air nm"]), abs=0.006)


def test_hydrogen_lines_stand_where_the_handbook_has_them() -> None:
    # NIST ASD, air: 6562.80 and 4861.33 A (fine structure blended).
    assert LINES_NM["halpha"] == pytest.approx(656.280, abs=0.002)
    assert LINES_NM["hbeta"] == pytest.approx(486.133, abs=0.005)


def test_ratios_of_lines_are_those_of_atomic_data() -> None:
    # Energies; one photon of a shorter wave carries more. [NII] is 2.94 in PyNeb and 3.05 in Storey & Zeippen 2000.
    assert 1 / (OIII_WEAK * LINES_NM["oiii"] / LINES_NM["oiii_weak"]) == pytest.approx(
        float(PYNEB["[OIII] 5007/4959"]), abs=0.01
    )
    strong = LINES_NM["nii_weak"] / LINES_NM["nii"] / NII_WEAK
    assert float(PYNEB["[NII] 6584/6548"]) - 0.02 < strong < 3.05
    balmer = HALPHA_OVER_HBETA * LINES_NM["hbeta"] / LINES_NM["halpha"]
    assert balmer == pytest.approx(float(PYNEB["Halpha/Hbeta at 10000 K"]), abs=0.005)
