"""Air mass and refraction by altitude, for extinction; the air mass inside the moonlight model is another one."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["air_mass", "lifted_deg", "refraction_arcmin"]

Float64 = npt.NDArray[np.float64]

FLOOR_DEG = -0.5
"""Altitude below which nothing is told: refraction there depends on the air of the hour."""


def air_mass(apparent_deg: npt.ArrayLike) -> Float64:
    """Air mass at an apparent altitude (refraction included), degrees; NaN below -0.5.

    Kasten & Young 1989, Applied Optics 28, 4735: 1 / (sin h + 0.50572 (h + 6.07995)^-1.6364). It is 0.9997 in the
    zenith and 38 at the horizon.

    >>> air_mass([90.0, 30.0, 10.0]).round(4).tolist()
    [0.9997, 1.9943, 5.586]
    """
    high = np.asarray(apparent_deg, dtype=np.float64)
    known = np.where(high >= FLOOR_DEG, high, np.nan)
    return np.asarray(1.0 / (np.sin(np.radians(known)) + 0.50572 * (known + 6.07995) ** -1.6364))


def refraction_arcmin(apparent_deg: npt.ArrayLike) -> Float64:
    """How much air lifts what is seen at an apparent altitude, arcmin.

    Bennett 1982 (Meeus 1998, Astronomical Algorithms, eq. 16.3), for 1010 hPa and 10 degrees C; good to 0.07 arcmin.

    >>> round(float(refraction_arcmin(0.5)), 2)
    28.75
    """
    high = np.asarray(apparent_deg, dtype=np.float64)
    return np.asarray(1.0 / np.tan(np.radians(high + 7.31 / (high + 4.4))))


def lifted_deg(true_deg: npt.ArrayLike) -> Float64:
    """Apparent altitude of what stands at a true one; below -1 degree they are taken as the same.

    Saemundsson 1986 (Meeus 1998, eq. 16.4), which agrees with `refraction_arcmin` to 0.1 arcmin.
    """
    true = np.asarray(true_deg, dtype=np.float64)
    seen = np.maximum(true, -1.0)
    lift = 1.02 / np.tan(np.radians(seen + 10.3 / (seen + 5.11))) / 60.0
    return np.asarray(np.where(true >= -1.0, true + lift, true))
