"""Sun, Moon and stars over a site: worked examples, a real header, and another way through the same library."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import AltAz, EarthLocation, SkyCoord, get_body
from astropy.io import fits
from astropy.time import Time

from authority_files import REAL_PAIR
from fourlight.core.airmass import air_mass, lifted_deg
from fourlight.sky.heavens import Heavens
from fourlight.sky.moon import offline
from fourlight.sky.site import Site


def seconds(text: str) -> float:
    return datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()


def around(site: Site, moment: float) -> Heavens:
    return Heavens(site, moment - 43200, moment + 43200)


def test_moon_of_a_worked_example() -> None:
    """Meeus 1998, examples 47.a and 48.a: 1992 April 12.0 TD (UTC + 59 s): 368 409.7 km, phase angle 69.0756 degrees,
    k = 0.6786; distances from the centre of the Earth, to 40 km, and from its surface in between."""
    moment = seconds("1992-04-12") - 59
    heavens = around(Site("here", 10.0, 20.0), moment)
    assert float(heavens.phase_deg(moment)) == pytest.approx(69.0756, abs=0.01)
    assert float(heavens.lit(moment)) == pytest.approx(0.6786, abs=2e-4)
    moon = heavens.moon(moment)
    height = 6378.1 * np.sin(np.radians(moon.altitude_deg))
    assert float(moon.distance_km) == pytest.approx(368409.7 - height, abs=130)


@pytest.mark.parametrize("name", ["unsolved.fits", "solved.fits.fz"])
def test_moon_and_air_mass_of_a_real_header(name: str) -> None:
    """Lit share, separation and air mass that the observers' own software wrote (see the README beside the file)."""
    with fits.open(REAL_PAIR / name) as found:
        header = next(each.header for each in found if "MOONSEP" in each.header)
    site = Site("there", header["LAT-OBS"], header["LONG-OBS"], header["ELEV-OBS"])
    moment = seconds(header["DATE-OBS"])
    heavens = around(site, moment)
    target = heavens.fixed(header["RA-MNT"], header["DEC-MNT"], [moment])
    assert float(heavens.lit(moment)) == pytest.approx(header["MOONFRAC"], abs=2e-4)
    assert float(target.apart_deg(heavens.moon([moment]))[0]) == pytest.approx(header["MOONSEP"], abs=0.01)
    assert float(air_mass(lifted_deg(target.altitude_deg))[0]) == pytest.approx(header["AIRMASS"], abs=2e-3)


@pytest.mark.parametrize(
    ("north", "east", "year"),
    [(31.5, -38.0, 2031), (-33.0, 130.0, 1975), (78.0, 10.0, 2024), (0.0, 179.5, 2090)],
)
def test_places_against_the_whole_way_of_a_library(north: float, east: float, year: int) -> None:
    """astropy from ICRS to altitude and azimuth, moment by moment: 1 arcsec, and 2 for the Moon."""
    start = seconds(f"{year}-03-05T12:00")
    heavens = Heavens(Site("here", north, east, 800.0), start, start + 86400)
    moments = start + np.linspace(0, 86400, 13)
    seen = {
        "sun": heavens.sun(moments),
        "moon": heavens.moon(moments),
        "star": heavens.fixed(81.3, 17.9, moments),
    }
    with offline():
        place = EarthLocation(lat=north, lon=east, height=800.0)
        frame = AltAz(obstime=Time(moments, format="unix", scale="utc"), location=place)
        other = {name: get_body(name, frame.obstime, place).transform_to(frame) for name in ("sun", "moon")}
        other["star"] = SkyCoord(81.3, 17.9, unit="deg").transform_to(frame)
        for name, found in seen.items():
            ours = SkyCoord(found.azimuth_deg * u.deg, found.altitude_deg * u.deg)
            theirs = SkyCoord(other[name].az.deg * u.deg, other[name].alt.deg * u.deg)
            assert ours.separation(theirs).arcsec.max() < (2.0 if name == "moon" else 1.0), name
        apart = seen["star"].apart_deg(seen["moon"])
        assert apart == pytest.approx(other["star"].separation(other["moon"]).deg, abs=1e-3)


def test_many_places_are_where_single_ones_are() -> None:
    start = seconds("2031-08-14T14:00")
    heavens = Heavens(Site("here", 31.5, -38.0), start, start + 86400)
    moments = start + np.linspace(0, 86400, 7)
    altitude, azimuth = heavens.fixed_many([10.0, 250.0], [-20.0, 80.0], moments)
    for k, place in enumerate(((10.0, -20.0), (250.0, 80.0))):
        single = heavens.fixed(*place, moments)
        assert altitude[k] == pytest.approx(single.altitude_deg, abs=1e-3)
        assert azimuth[k] == pytest.approx(single.azimuth_deg, abs=2e-3)


def test_the_hour_angle_grows_with_the_stars() -> None:
    start = seconds("2031-08-14T14:00")
    heavens = Heavens(Site("here", -31.5, -38.0), start, start + 86400)
    moments = start + np.arange(0, 86401, 600.0)
    angle = heavens.hour_angle_deg(heavens.fixed(100.0, -50.0, moments))
    assert np.diff(np.unwrap(angle, period=360)) == pytest.approx(360.9856473 / 144, abs=1e-5)
    top = heavens.fixed(100.0, -50.0, moments).altitude_deg
    assert abs(float(angle[int(np.argmax(top))])) < 1.3


def test_angles_of_worked_examples() -> None:
    """Meeus 1998, example 17.a: Arcturus and Spica 32.7930 degrees apart."""
    heavens = around(Site("here", 0.0, 0.0), seconds("2000-01-01T12:00"))
    moment = [seconds("2000-01-01T12:00")]
    one, other = heavens.fixed(213.9154, 19.1825, moment), heavens.fixed(201.2983, -11.1614, moment)
    # Light is aberrated, which changes the angle by up to 20 arcsec per radian.
    assert float(one.apart_deg(other)[0]) == pytest.approx(32.7930, abs=5e-3)
