"""Photon spectra: black bodies on the magnitude scale, emission lines, interstellar dust.

Wavelengths are in nanometres, in air where they name a line. Rates are photons per second and square
centimetre.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = [
    "HALPHA_OVER_HBETA",
    "LINES_NM",
    "NII_WEAK",
    "OIII_WEAK",
    "RAYLEIGH",
    "V0_PHOTONS",
    "V_NM",
    "black_body",
    "dust_law",
]

FloatArray = npt.NDArray[np.float64]

V_NM = 550.0
V0_PHOTONS = 9988.0
"""Photons s^-1 cm^-2 nm^-1 at `V_NM` of a star of V = 0 (3640 Jy, Bessell 1979)."""

RAYLEIGH = 1e6 / (4.0 * np.pi) / (180.0 * 3600.0 / np.pi) ** 2
"""Photons s^-1 cm^-2 arcsec^-2 in one rayleigh (1e6 / 4 pi photons s^-1 cm^-2 sr^-1)."""

LINES_NM = {
    "halpha": 656.28,
    "hbeta": 486.13,
    "oiii": 500.68,
    "oiii_weak": 495.89,
    "nii": 658.35,
    "nii_weak": 654.81,
    "sii": 671.64,
    "sii_strong": 673.08,
}
"""Air wavelengths of nebular lines (NIST ASD, rounded)."""

OIII_WEAK = 1.0 / 2.98 * (495.89 / 500.68)
"""Photons of [OIII] 495.9 per photon of 500.7: energy ratio 2.98 (Storey & Zeippen 2000)."""
NII_WEAK = 1.0 / 2.95
"""Photons of [NII] 654.8 per photon of 658.4; published energy ratios are 2.94 to 3.05."""
HALPHA_OVER_HBETA = 2.86 * (656.28 / 486.13)
"""Photons: case B at 10 000 K, energy ratio 2.86 (Osterbrock & Ferland 2006)."""

_SECOND_RADIATION_NM_K = 1.438776877e7


def black_body(wavelength_nm: FloatArray, temperature_k: float) -> FloatArray:
    """Photons of a black body that has V = 0: photons s^-1 cm^-2 nm^-1.

    Parameters
    ----------
    wavelength_nm : (n,) float64
    temperature_k : float
        Above zero.

    Returns
    -------
    (n,) float64
        Proportional to lambda^-4 / (exp(hc / lambda k T) - 1), equal to `V0_PHOTONS` at `V_NM`: magnitude
        zero holds at one wavelength, not over the band.

    Examples
    --------
    >>> float(black_body(np.array([550.0]), 5772.0)[0])
    9988.0
    """
    wave = np.asarray(wavelength_nm, dtype=np.float64)
    ratio = np.expm1(_SECOND_RADIATION_NM_K / (V_NM * temperature_k))
    shape = (V_NM / wave) ** 4 * ratio / np.expm1(_SECOND_RADIATION_NM_K / (wave * temperature_k))
    return np.asarray(V0_PHOTONS * shape)


def dust_law(wavelength_nm: FloatArray | float, r_v: float = 3.1) -> FloatArray:
    """Extinction A(lambda) / A(V) of interstellar dust, 303 to 909 nm.

    Source: Cardelli, Clayton & Mathis 1989, equations 1, 3a and 3b (optical range).

    Examples
    --------
    >>> dust_law(np.array([656.28, 486.13])).round(3).tolist()
    [0.818, 1.164]
    """
    y = 1000.0 / np.asarray(wavelength_nm, dtype=np.float64) - 1.82
    a = np.polyval([0.32999, -0.77530, 0.01979, 0.72085, -0.02427, -0.50447, 0.17699, 1.0], y)
    b = np.polyval([-2.09002, 5.30260, -0.62251, -5.38434, 1.07233, 2.28305, 1.41338, 0.0], y)
    return np.asarray(a + b / r_v)
