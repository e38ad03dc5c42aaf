"""How the air dims light of different colours: molecules and haze, clear air at sea level."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fourlight.core.abmag import MAG

__all__ = ["air_shape", "extinction_mag"]

Float64 = npt.NDArray[np.float64]

HAZE_550, HAZE_POWER = 0.08, 1.3
"""Extinction by haze at 550 nm, magnitudes, and how it falls with wavelength (Angstrom 1929): usual values."""
V_NM = 550.0


def extinction_mag(wave_nm: npt.ArrayLike) -> Float64:
    """Magnitudes lost towards the zenith.

    Molecules after Hansen & Travis (1974, Space Science Reviews 16, 527, equation 2.30, as remembered) at 1013 hPa;
    ozone, 0.03 near 600 nm, is left out.

    >>> extinction_mag([450.0, 550.0, 650.0]).round(2).tolist()
    [0.34, 0.19, 0.12]
    """
    um = np.asarray(wave_nm, dtype=np.float64) / 1000.0
    molecules = 0.008569 * um**-4 * (1.0 + 0.0113 * um**-2 + 0.00013 * um**-4)
    return np.asarray(MAG * molecules + HAZE_550 * (1000.0 * um / V_NM) ** -HAZE_POWER)


def air_shape(wave_nm: npt.ArrayLike, mass: float) -> Float64:
    """What a number of air masses pass, over what they pass at 550 nm."""
    return np.asarray(10 ** (-0.4 * mass * (extinction_mag(wave_nm) - extinction_mag(V_NM))))
