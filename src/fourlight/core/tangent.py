"""The sky on a plane that touches it: gnomonic, as a camera sees it, and stereographic, which keeps all small shapes.

Calabretta & Greisen 2002 (A&A 395, 1077), sections 5.1.3 and 5.1.4. Planes are in degrees, xi eastward, eta northward.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["from_gnomonic", "from_stereographic", "gnomonic", "stereographic"]

Float64 = npt.NDArray[np.float64]


def _cosines(
    ra_deg: npt.ArrayLike, dec_deg: npt.ArrayLike, ra0: float, dec0: float
) -> tuple[Float64, Float64, Float64]:
    """Direction cosines along east, north and the line of sight of the touching point."""
    d, delta, delta0 = (
        np.radians(np.subtract(ra_deg, ra0)),
        np.radians(np.asarray(dec_deg, dtype=np.float64)),
        np.radians(dec0),
    )
    east = np.cos(delta) * np.sin(d)
    north = np.sin(delta) * np.cos(delta0) - np.cos(delta) * np.sin(delta0) * np.cos(d)
    ahead = np.sin(delta) * np.sin(delta0) + np.cos(delta) * np.cos(delta0) * np.cos(d)
    return east, north, ahead


def _places(
    east: Float64, north: Float64, ahead: Float64, ra0: float, dec0: float
) -> tuple[Float64, Float64]:
    """Right ascension in [0, 360) and declination, degrees, of directions as `_cosines` gives them, of any length."""
    s, c = np.sin(np.radians(dec0)), np.cos(np.radians(dec0))
    up, out = north * c + ahead * s, ahead * c - north * s
    ra = (ra0 + np.degrees(np.arctan2(east, out))) % 360.0
    return ra, np.degrees(np.arctan2(up, np.hypot(east, out)))


def gnomonic(
    ra_deg: npt.ArrayLike, dec_deg: npt.ArrayLike, ra0: float, dec0: float
) -> tuple[Float64, Float64]:
    """Standard coordinates xi, eta; NaN for places 90 degrees or more from the touching point.

    >>> xi, eta = gnomonic([0.0], [45.0], 0.0, 0.0)
    >>> float(xi[0]), round(float(eta[0]), 6)
    (0.0, 57.29578)
    """
    east, north, ahead = _cosines(ra_deg, dec_deg, ra0, dec0)
    ahead = np.where(ahead > 1e-9, ahead, np.nan)
    return np.degrees(east / ahead), np.degrees(north / ahead)


def from_gnomonic(xi: npt.ArrayLike, eta: npt.ArrayLike, ra0: float, dec0: float) -> tuple[Float64, Float64]:
    """Right ascension and declination of standard coordinates.

    >>> xi, eta = gnomonic(33.0, 44.0, 30.0, 40.0)
    >>> [round(float(v), 9) for v in from_gnomonic(xi, eta, 30.0, 40.0)]
    [33.0, 44.0]
    """
    x, y = np.radians(xi), np.radians(eta)
    return _places(x, y, np.ones_like(x), ra0, dec0)


def stereographic(
    ra_deg: npt.ArrayLike, dec_deg: npt.ArrayLike, ra0: float, dec0: float
) -> tuple[Float64, Float64]:
    """Places on the plane whose small figures have the sky's shapes, scale 1 / cos^2 of half the distance."""
    east, north, ahead = _cosines(ra_deg, dec_deg, ra0, dec0)
    factor = np.degrees(2.0 / np.maximum(1.0 + ahead, 1e-9))
    return factor * east, factor * north


def from_stereographic(
    x: npt.ArrayLike, y: npt.ArrayLike, ra0: float, dec0: float
) -> tuple[Float64, Float64]:
    """Right ascension and declination of places on the plane.

    >>> x, y = stereographic(33.0, 44.0, 30.0, 40.0)
    >>> [round(float(v), 9) for v in from_stereographic(x, y, 30.0, 40.0)]
    [33.0, 44.0]
    """
    p, q = np.radians(x), np.radians(y)
    return _places(p, q, 1.0 - (p * p + q * q) / 4.0, ra0, dec0)
