"""What blurs stars, by colour and height: turbulence, diffraction, and the spread of colours inside one filter."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from fourlight.core.dispersion import spread_arcsec

__all__ = ["air_mass", "airy_fwhm_arcsec", "band", "seeing_fwhm_arcsec", "seeing_ratio"]

Float64 = npt.NDArray[np.float64]

ARCSEC = math.degrees(1.0) * 3600.0


def air_mass(altitude_deg: npt.ArrayLike) -> Float64:
    """Air mass at an altitude above 0 (Kasten & Young 1989, Applied Optics 28, 4735).

    >>> air_mass([90.0, 30.0, 10.0]).round(4).tolist()
    [0.9997, 1.9943, 5.586]
    """
    high = np.asarray(altitude_deg, dtype=np.float64)
    return np.asarray(1.0 / (np.sin(np.radians(high)) + 0.50572 * (high + 6.07995) ** -1.6364))


def seeing_fwhm_arcsec(wave_nm: npt.ArrayLike, fried_mm: float, mass: npt.ArrayLike = 1.0) -> Float64:
    """Width of stars by turbulence (Kolmogorov), long exposure: 0.976 lambda / r0 (Dierickx 1992).

    ``fried_mm`` is r0 at 500 nm and air mass 1; it goes as lambda^(6/5) X^(-3/5) (Fried 1966; Roddier 1981), so that
    the width goes as lambda^(-1/5) X^(3/5). A finite outer scale makes it narrower, and more so in red.

    >>> round(float(seeing_fwhm_arcsec(500.0, 100.0)), 3)
    1.007
    """
    wave = np.asarray(wave_nm, dtype=np.float64)
    r0 = fried_mm * (wave / 500.0) ** 1.2 * np.asarray(mass, dtype=np.float64) ** -0.6
    return np.asarray(0.976 * wave * 1e-6 / r0 * ARCSEC)


def seeing_ratio(wave_nm: npt.ArrayLike, to_nm: float) -> Float64:
    """Width by turbulence at a wavelength over that at another: lambda^(-1/5).

    >>> seeing_ratio([656.0, 400.0], 500.0).round(4).tolist()
    [0.9471, 1.0456]
    """
    return np.asarray((np.asarray(wave_nm, dtype=np.float64) / to_nm) ** -0.2)


def airy_fwhm_arcsec(wave_nm: npt.ArrayLike, aperture_mm: float) -> Float64:
    """Width of the image of a star behind a round clear aperture: 1.02899 lambda / D (Born & Wolf, section 8.5.2).

    >>> round(float(airy_fwhm_arcsec(550.0, 100.0)), 3)
    1.167
    """
    return np.asarray(1.02899 * np.asarray(wave_nm, dtype=np.float64) * 1e-6 / aperture_mm * ARCSEC)


def band(wave_nm: Float64, response: Float64) -> tuple[float, float]:
    """Mean wavelength (nm) of what a filter passes, and rms spread by the atmosphere inside it, arcsec at 45 degrees.

    The spread goes as the tangent of the zenith distance (Filippenko 1982; see `fourlight.core.dispersion`); light is
    taken as even over wavelengths.

    Parameters
    ----------
    wave_nm, response : (n,) float64
        Even steps; response in any unit.

    Examples
    --------
    >>> wave = np.arange(400.0, 500.0)
    >>> mean, spread = band(wave, np.ones(100))
    >>> round(mean, 1), 0.1 < spread < 0.4
    (449.5, True)
    """
    share = response / response.sum()
    away = spread_arcsec(wave_nm, 45.0)
    mean = float((share * away).sum())
    return float((share * wave_nm).sum()), math.sqrt(max(float((share * (away - mean) ** 2).sum()), 0.0))
