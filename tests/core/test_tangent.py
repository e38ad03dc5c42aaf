"""Planes that touch the sky, against published values and astropy."""

import numpy as np
import pytest
from astropy.wcs import WCS

from fourlight.core.tangent import from_gnomonic, from_stereographic, gnomonic, stereographic


@pytest.mark.parametrize(
    ("height", "radius"), [(80.0, 10.102792), (60.0, 33.079734), (45.0, 57.295780), (30.0, 99.239201)]
)
def test_radius_of_the_gnomonic_plane(height, radius):
    """R = (180 / pi) cot theta, Calabretta & Greisen 2002 section 5.1.3, evaluated."""
    xi, eta = gnomonic([120.0], [height], 0.0, 90.0)
    assert np.hypot(xi, eta)[0] == pytest.approx(radius, abs=1e-6)


def test_standard_coordinates_of_the_sofa_test_set():
    """ERFA/SOFA validation: tpxes(1.3, 1.55, 2.3, 1.5) and tpsts(-0.03, 0.07, 2.3, 1.5), radians."""
    ra, dec, ra0, dec0 = (float(np.degrees(v)) for v in (1.3, 1.55, 2.3, 1.5))
    xi, eta = (np.radians(v[0]) for v in gnomonic([ra], [dec], ra0, dec0))
    assert (xi, eta) == pytest.approx((-0.0175320098, 0.0596294001), abs=1e-10)
    found = from_gnomonic(*np.degrees([-0.03, 0.07]), ra0, dec0)
    assert [float(np.radians(v)) for v in found] == pytest.approx([0.7596127167, 1.5408646451], abs=1e-10)


@pytest.mark.parametrize(
    ("kind", "there", "back"), [("TAN", gnomonic, from_gnomonic), ("STG", stereographic, from_stereographic)]
)
@pytest.mark.parametrize("centre", [(10.0, 41.0), (359.9, -63.0), (200.0, 90.0)])
def test_planes_are_those_of_astropy(kind, there, back, centre):
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = [f"RA---{kind}", f"DEC--{kind}"]
    wcs.wcs.crval, wcs.wcs.crpix, wcs.wcs.cdelt = centre, [1, 1], [1, 1]
    wcs.wcs.lonpole = 180  # which is not the default where the plane touches the pole
    x, y = np.random.default_rng(2).uniform(-20, 20, (2, 50))
    ra, dec = wcs.all_pix2world(x, y, 0)
    assert np.allclose(there(ra, dec, *centre), [x, y], atol=1e-9)
    again = back(x, y, *centre)
    assert np.allclose(again[1], dec, atol=1e-9)
    assert np.allclose(np.exp(1j * np.radians(again[0])), np.exp(1j * np.radians(ra)), atol=1e-9)


def test_places_behind_the_plane_have_none():
    xi, _ = gnomonic([180.0, 0.0], [0.0, 10.0], 0.0, 0.0)
    assert np.isnan(xi[0])
    assert xi[1] == pytest.approx(0.0)
