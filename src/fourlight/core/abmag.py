"""Magnitudes of spectra through any passband, in the system whose zero is the same flux at every frequency (AB)."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fourlight.core.passband import weights

__all__ = ["AB_PHOTONS", "MAG", "ab_magnitudes", "ab_photons"]

Float64 = npt.NDArray[np.float64]

MAG = 2.5 / np.log(10.0)
"""Magnitudes per unit of the natural logarithm of light."""

AB_PHOTONS = 3630.78e-23 / 6.62607015e-27
"""Photons s-1 cm-2 per unit of ln wavelength of a source of magnitude 0: 3630.78 Jy (Oke & Gunn 1983) over h."""


def ab_photons(wave_nm: npt.ArrayLike) -> Float64:
    """Photons s-1 cm-2 nm-1 of a source of magnitude 0 at every wavelength.

    >>> ab_photons([548.0, 1096.0]).round(1).tolist()
    [9999.2, 4999.6]
    """
    return np.asarray(AB_PHOTONS / np.asarray(wave_nm, dtype=np.float64))


def ab_magnitudes(wave_nm: Float64, curves: Float64, photons: Float64) -> Float64:
    """(k, c) magnitudes of k spectra through c passbands.

    Parameters
    ----------
    wave_nm : (n,) float64
        Increasing.
    curves : (c, n) float64
        Electrons per photon, in any unit: it cancels.
    photons : (k, n) float64
        Photons s-1 cm-2 nm-1.

    Returns
    -------
    (k, c) float64
        NaN where a passband is empty.

    Examples
    --------
    >>> wave = np.linspace(400.0, 700.0, 301)
    >>> ab_magnitudes(wave, np.ones((1, 301)), 0.01 * ab_photons(wave)[None]).round(6).tolist()
    [[5.0]]
    """
    share = curves * weights(wave_nm)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(-2.5 * np.log10(photons @ share.T / (share @ ab_photons(wave_nm))))
