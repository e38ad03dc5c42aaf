"""How the atmosphere spreads light by colour: blue images of a star stand higher than red ones."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

__all__ = ["refractivity", "spread_arcsec"]

Float64 = npt.NDArray[np.float64]

PRESSURE_MMHG, TEMPERATURE_C, VAPOUR_MMHG = 600.0, 7.0, 8.0
"""Air of a site 2 km high, as in Filippenko's table and in simulated frames; at sea level the spread is larger by a
quarter."""
SEA_MMHG, FALL_M = 760.0, 8000.0


def refractivity(
    wave_nm: npt.ArrayLike,
    pressure_mmhg: float = PRESSURE_MMHG,
    temperature_c: float = TEMPERATURE_C,
    vapour_mmhg: float = VAPOUR_MMHG,
) -> Float64:
    """Refractive index of air less one (Edlen's formula as in Filippenko 1982, PASP 94, 715, eqs. 1 to 3).

    >>> round(float(refractivity(500.0, 760.0, 15.0, 0.0)) * 1e6, 1)
    279.0
    """
    inverse = 1.0 / (np.asarray(wave_nm, dtype=np.float64) / 1000.0) ** 2
    dry = 64.328 + 29498.1 / (146.0 - inverse) + 255.4 / (41.0 - inverse)
    warm = 1.0 + 0.003661 * temperature_c
    dense = pressure_mmhg * (1.0 + (1.049 - 0.0157 * temperature_c) * 1e-6 * pressure_mmhg) / (720.883 * warm)
    return np.asarray((dry * dense - (0.0624 - 0.000680 * inverse) / warm * vapour_mmhg) * 1e-6)


def spread_arcsec(
    wave_nm: npt.ArrayLike, zenith_deg: float, reference_nm: float = 500.0, height_m: float | None = None
) -> Float64:
    """How much nearer to the zenith light of a wavelength arrives than that of another, arcsec.

    Parameters
    ----------
    wave_nm : array
        Wavelengths.
    zenith_deg : float
        Zenith distance, 0 to about 75 (the atmosphere is taken as flat).
    reference_nm : float
    height_m : float, optional
        Of the site, whose pressure follows from it (760 mmHg at the sea, less by a factor of e in 8 km); 600 mmHg
        unless given.

    Returns
    -------
    array like ``wave_nm``
        Positive towards the zenith.

    Examples
    --------
    Filippenko 1982, table I: 0.71 arcsec at 400 nm and -0.50 arcsec at 650 nm for an air mass of 1.5.

    >>> spread_arcsec([400.0, 650.0], math.degrees(math.acos(1 / 1.5))).round(2).tolist()
    [0.71, -0.5]
    """
    pressure = PRESSURE_MMHG if height_m is None else SEA_MMHG * math.exp(-height_m / FALL_M)
    apart = refractivity(wave_nm, pressure) - refractivity(reference_nm, pressure)
    return np.asarray(apart * math.degrees(1.0) * 3600.0 * math.tan(math.radians(zenith_deg)))
