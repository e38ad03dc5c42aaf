"""How high an object stands: sidereal time and altitude, to a hundredth of a degree."""

from __future__ import annotations

import math

__all__ = ["altitude_deg", "sidereal_deg"]

_J2000_S = 946_728_000.0
"""2000 January 1, 12h, in seconds since 1970."""


def sidereal_deg(utc_s: float) -> float:
    """Mean sidereal time at Greenwich, degrees (Meeus, Astronomical Algorithms, eq. 12.4).

    Parameters
    ----------
    utc_s : float
        Seconds since 1970 January 1, UTC.

    Examples
    --------
    Meeus, example 12.b: 1987 April 10, 19h21m UT, 8h34m57.0896s.

    >>> round(sidereal_deg(545080860.0) / 15, 5)
    8.58252
    """
    days = (utc_s - _J2000_S) / 86400.0
    century = days / 36525.0
    angle = 280.46061837 + 360.98564736629 * days + 0.000387933 * century**2 - century**3 / 38710000.0
    return angle % 360.0


def altitude_deg(
    ra_deg: float, dec_deg: float, latitude_deg: float, longitude_deg: float, utc_s: float
) -> float:
    """Altitude above the horizon without refraction; longitude counts to the east.

    Precession since the epoch of the coordinates is left out (a third of a degree in 25 years).

    Examples
    --------
    Meeus, example 13.b: Venus at 15.1249 deg; its apparent sidereal time moves the last digit.

    >>> round(altitude_deg(347.3193375, -6.719892, 38.921389, -77.065556, 545080860.0), 2)
    15.12
    """
    hour = math.radians(sidereal_deg(utc_s) + longitude_deg - ra_deg)
    north, dec = math.radians(latitude_deg), math.radians(dec_deg)
    sine = math.sin(north) * math.sin(dec) + math.cos(north) * math.cos(dec) * math.cos(hour)
    return math.degrees(math.asin(max(-1.0, min(1.0, sine))))
