"""The Moon: how much of it was lit, and how high it stood."""

from __future__ import annotations

import gc
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from functools import cache

import numpy as np
import numpy.typing as npt
from astropy.coordinates import AltAz, EarthLocation, SkyCoord, get_body
from astropy.time import Time
from astropy.utils import iers

__all__ = ["lit_share", "moon_altitudes", "moon_separations", "offline"]

Float64 = npt.NDArray[np.float64]


@contextmanager
def offline() -> Iterator[None]:
    """No table of the Earth's rotation is fetched: without it places are good to seconds of arc."""
    with (
        warnings.catch_warnings(),
        iers.conf.set_temp("auto_download", False),
        iers.conf.set_temp("auto_max_age", None),
        iers.conf.set_temp("iers_degraded_accuracy", "ignore"),
    ):
        warnings.simplefilter("ignore")
        _table_is_read()
        yield


@cache
def _table_is_read() -> None:
    """Read astropy's table of the Earth's rotation, once: its reader leaves 50 MB in rings of references."""
    iers.earth_orientation_table.get()
    gc.collect()


def lit_share(times: Sequence[datetime]) -> Float64:
    """Lit share (n,) of the Moon's disk at times in UTC, 0 to 1, for the centre of the Earth.

    The phase angle i follows from the elongation psi and both distances, tan i = R sin psi / (D - R cos psi), the share
    is (1 + cos i) / 2 (Meeus 1998, Astronomical Algorithms, chapter 48); places are those of ERFA.

    >>> from datetime import datetime, timezone
    >>> round(float(lit_share([datetime(1992, 4, 12, tzinfo=timezone.utc)])[0]), 3)
    0.679
    """
    if not times:
        return np.zeros(0)
    with offline():
        moment = Time(list(times), scale="utc")
        moon, sun = get_body("moon", moment), get_body("sun", moment)
        psi = moon.separation(sun, origin_mismatch="ignore").rad
        far, near = sun.distance.km, moon.distance.km
    phase = np.arctan2(far * np.sin(psi), near - far * np.cos(psi))
    return np.asarray((1 + np.cos(phase)) / 2, dtype=np.float64)


def moon_altitudes(times: Sequence[datetime], latitude_deg: float, longitude_deg: float) -> Float64:
    """Altitude (n,) of the Moon's centre at times in UTC, degrees, without refraction; longitude east."""
    if not times:
        return np.zeros(0)
    with offline():
        moment = Time(list(times), scale="utc")
        place = EarthLocation(lat=latitude_deg, lon=longitude_deg)
        seen = get_body("moon", moment, place).transform_to(AltAz(obstime=moment, location=place))
        return np.asarray(seen.alt.deg, dtype=np.float64)


def moon_separations(
    times: Sequence[datetime], ra_deg: float, dec_deg: float, site: tuple[float, float] | None = None
) -> Float64:
    """Angle (n,) between a place on the sky (ICRS) and the Moon's centre at times in UTC, degrees.

    Parameters
    ----------
    times : sequence of datetime
    ra_deg, dec_deg : float
    site : (float, float) or None
        Latitude and longitude (east) in degrees, from where the Moon is seen up to a degree beside its place for the
        centre of the Earth; None: for that.
    """
    if not times:
        return np.zeros(0)
    with offline():
        moment = Time(list(times), scale="utc")
        place = None if site is None else EarthLocation(lat=site[0], lon=site[1])
        moon = get_body("moon", moment, place)
        field = SkyCoord(ra_deg, dec_deg, unit="deg").transform_to(moon.frame)
        return np.asarray(moon.separation(field).deg, dtype=np.float64)
