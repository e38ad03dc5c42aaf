"""Where Sun, Moon and fixed places stand over a site, for any number of moments, without a network.

Places of Sun and Moon are those of ERFA (1900 to 2100; the Moon to some 10 arcsec), computed every few hours in the
frame of the date and joined by cubic splines; the Earth turns under them by its rotation angle. What is left out, 0.3
arcsec each: the wobble of the pole and the aberration by the turning of the Earth.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from astropy import units as u
from astropy.coordinates import CIRS, EarthLocation, SkyCoord, get_body
from astropy.time import Time
from scipy.interpolate import CubicSpline

from fourlight.sky.moon import offline
from fourlight.sky.site import Site

__all__ = ["FIRST_YEAR", "LAST_YEAR", "MOON_RADIUS_KM", "Heavens", "Seen"]

Float64 = npt.NDArray[np.float64]

FIRST_YEAR, LAST_YEAR = 1961, 2099
"""UTC begins before the first; the ephemeris ends after the last."""
MOON_RADIUS_KM = 1737.4
NODE_S = 6 * 3600.0
"""Between moments that are computed; the Moon's spline is then off by 0.01 arcsec."""
FEWEST = 6
UNIX_JD = 2440587.5


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """Where something stands, all arrays alike."""

    altitude_deg: Float64
    """Of its centre, without refraction."""
    azimuth_deg: Float64
    """From north over east, 0 to 360."""
    distance_km: Float64
    """Infinite for fixed places."""
    direction: Float64
    """(..., 3) unit vector east, north, up."""

    def apart_deg(self, other: Seen) -> Float64:
        """Angle between both, degrees."""
        cross = np.linalg.norm(np.cross(self.direction, other.direction), axis=-1)
        dot = np.einsum("...i,...i->...", self.direction, other.direction)
        return np.asarray(np.degrees(np.arctan2(cross, dot)))

    def chosen(self, index: npt.NDArray[np.bool_]) -> Seen:
        """Some of the moments."""
        return Seen(
            self.altitude_deg[index], self.azimuth_deg[index], self.distance_km[index], self.direction[index]
        )


class Heavens:
    """The sky over a site between two moments.

    Parameters
    ----------
    site : Site
    first_s, last_s : float
        Seconds since 1970 January 1, UTC.
    """

    def __init__(self, site: Site, first_s: float, last_s: float) -> None:
        self.site = site
        count = max(FEWEST, int(np.ceil((last_s - first_s) / NODE_S)) + 1)
        self._nodes_s = np.linspace(first_s, last_s, count)
        with offline():
            self._moments = Time(self._nodes_s, format="unix", scale="utc")
            self._frame = CIRS(obstime=self._moments)
            self._moon, self._sun = (self._body(name) for name in ("moon", "sun"))
            ut1 = self._moments.ut1
            # Two parts keep a microsecond: days since 1970, and how far UT1 is from them.
            self._ut1_less_utc_d = CubicSpline(
                self._nodes_s, (ut1.jd1 - UNIX_JD) - self._nodes_s / 86400.0 + ut1.jd2
            )
            place = EarthLocation(lat=site.latitude_deg, lon=site.longitude_deg, height=site.height_m)
            self._place_km = np.array([part.to_value(u.km) for part in place.to_geocentric()])
        self._local = _local_axes(site.latitude_deg, site.longitude_deg)

    def _body(self, name: str) -> CubicSpline:
        seen = get_body(name, self._moments).transform_to(self._frame)
        return CubicSpline(self._nodes_s, seen.cartesian.xyz.to_value(u.km).T)

    def sun(self, moments_s: npt.ArrayLike) -> Seen:
        """The Sun's centre."""
        return self._seen(self._sun, moments_s)

    def moon(self, moments_s: npt.ArrayLike) -> Seen:
        """The Moon's centre, from where the site is."""
        return self._seen(self._moon, moments_s)

    def phase_deg(self, moments_s: npt.ArrayLike) -> Float64:
        """Angle Sun, Moon, Earth (its centre), degrees: 0 at full Moon; Meeus 1998, chapter 48."""
        when = np.asarray(moments_s, dtype=np.float64)
        moon, sun = self._moon(when), self._sun(when)
        to_sun = sun - moon
        cross = np.linalg.norm(np.cross(to_sun, -moon), axis=-1)
        return np.asarray(np.degrees(np.arctan2(cross, -np.einsum("...i,...i->...", to_sun, moon))))

    def lit(self, moments_s: npt.ArrayLike) -> Float64:
        """Lit share of the Moon's disk, 0 to 1."""
        return np.asarray((1.0 + np.cos(np.radians(self.phase_deg(moments_s)))) / 2.0)

    def fixed(self, ra_deg: float, dec_deg: float, moments_s: npt.ArrayLike) -> Seen:
        """A place of the sky, J2000 (ICRS)."""
        with offline():
            seen = SkyCoord(ra_deg, dec_deg, unit="deg").transform_to(self._frame)
            spline = CubicSpline(self._nodes_s, seen.cartesian.xyz.value.T)
        return self._seen(spline, moments_s, fixed=True)

    def fixed_many(
        self, ra_deg: Sequence[float], dec_deg: Sequence[float], moments_s: npt.ArrayLike
    ) -> tuple[Float64, Float64]:
        """Altitudes and azimuths (n, m) of n places at m moments of one night, degrees.

        Their places are those of its middle: they change by less than an arcsec meanwhile.
        """
        when = np.asarray(moments_s, dtype=np.float64)
        with offline():
            middle = Time(when.mean(), format="unix", scale="utc")
            seen = SkyCoord(ra_deg, dec_deg, unit="deg").transform_to(CIRS(obstime=middle))
            units = seen.cartesian.xyz.value.T
        east, north, up = (units @ self._turned_back(axis, when).T for axis in self._local)
        return (
            np.asarray(np.degrees(np.arcsin(np.clip(up, -1.0, 1.0)))),
            np.asarray(np.degrees(np.arctan2(east, north)) % 360.0),
        )

    def hour_angle_deg(self, seen: Seen) -> Float64:
        """Hour angle, -180 to 180 degrees, of what stands in a direction; it grows, and is 0 at the upper meridian."""
        north = np.radians(self.site.latitude_deg)
        east, to_north, up = np.moveaxis(seen.direction, -1, 0)
        return np.asarray(np.degrees(np.arctan2(-east, up * np.cos(north) - to_north * np.sin(north))))

    def _angle(self, when: Float64) -> Float64:
        """Earth rotation angle, radians (IAU 2000, Capitaine et al. 2000)."""
        days = (when - 946728000.0) / 86400.0  # from J2000
        late = self._ut1_less_utc_d(when)
        return np.asarray(
            2 * np.pi * ((0.7790572732640 + 0.00273781191135448 * (days + late) + days % 1.0 + late) % 1.0)
        )

    def _turned_back(self, vector: Float64, when: Float64) -> Float64:
        """(m, 3) a vector of the ground in the frame of the date."""
        c, s = np.cos(self._angle(when)), np.sin(self._angle(when))
        x, y, z = vector
        return np.stack([c * x - s * y, s * x + c * y, np.full_like(c, z)], axis=-1)

    def _seen(self, spline: CubicSpline, moments_s: npt.ArrayLike, *, fixed: bool = False) -> Seen:
        when = np.asarray(moments_s, dtype=np.float64)
        x, y, z = np.moveaxis(spline(when), -1, 0)
        c, s = np.cos(self._angle(when)), np.sin(self._angle(when))
        ground = np.stack([c * x + s * y, -s * x + c * y, z], axis=-1)
        if not fixed:
            ground = ground - self._place_km
        local = ground @ self._local.T
        distance = np.linalg.norm(local, axis=-1)
        unit = local / distance[..., None]
        return Seen(
            np.asarray(np.degrees(np.arctan2(unit[..., 2], np.hypot(unit[..., 0], unit[..., 1])))),
            np.asarray(np.degrees(np.arctan2(unit[..., 0], unit[..., 1])) % 360.0),
            np.full_like(distance, np.inf) if fixed else distance,
            unit,
        )


def _local_axes(latitude_deg: float, longitude_deg: float) -> Float64:
    """(3, 3) rows east, north and up (square to the ellipsoid) in the frame of the turning Earth."""
    north, east = np.radians(latitude_deg), np.radians(longitude_deg)
    sn, cn, se, ce = np.sin(north), np.cos(north), np.sin(east), np.cos(east)
    return np.array([[-se, ce, 0.0], [-sn * ce, -sn * se, cn], [cn * ce, cn * se, sn]])
