"""A plate solution against astropy.wcs: its cards mean what it does."""

import numpy as np
import pytest
from astropy.coordinates import SkyCoord
from astropy.io import fits
from astropy.wcs import WCS
from astropy.wcs.utils import proj_plane_pixel_scales

from fourlight.core.distortion import Mapping, fitted, powers
from fourlight.sky.plate import PlateSolution, wcs_cards

NONE = np.empty(0, dtype=np.int64)


def solution(mapping, ra=303.2, dec=46.0, shape=(800, 1200)):
    return PlateSolution(ra, dec, *shape, mapping, 50, 60, 0.1, -80.0, 2016.7, NONE, NONE)


def linear(angle_deg, flip=1, scale=2.0):
    a = np.radians(angle_deg)
    cd = scale / 3600 * np.array([[-flip * np.cos(a), np.sin(a)], [flip * np.sin(a), np.cos(a)]])
    return Mapping(cd, np.zeros((2, 0)), np.zeros((2, 0)), 1)


def bent(cd):
    u, v = np.random.default_rng(8).uniform(-600, 600, (2, 300))
    f, g = 8 * (u**2 + v**2) * u / 700**3, 8 * (u**2 + v**2) * v / 700**3 + 3e-6 * u * v
    return fitted(u, v, *(cd @ [u + f, v + g]), 3, (600.0, 400.0))[0]


def wcs_of(found):
    header = fits.Header()
    header["NAXIS"], header["NAXIS1"], header["NAXIS2"] = 2, found.nx, found.ny
    for name, (value, comment) in wcs_cards(found).items():
        header[name] = (value, comment)
    return WCS(header)


@pytest.mark.parametrize("place", [(303.2, 46.0), (0.05, -70.0), (120.0, 89.6), (77.0, 90.0)])
@pytest.mark.parametrize("mapping", [linear(30), linear(200, -1), bent(linear(75).cd)])
def test_cards_mean_to_astropy_what_the_solution_does(mapping, place):
    found = solution(mapping, *place)
    wcs = wcs_of(found)
    x, y = np.random.default_rng(1).uniform(0, [[1199], [799]], (2, 60))
    ra, dec = found.sky(x, y)
    theirs = SkyCoord(*wcs.all_pix2world(x, y, 0), unit="deg")
    assert theirs.separation(SkyCoord(ra, dec, unit="deg")).arcsec.max() < 1e-6
    assert np.allclose(found.pixel(ra, dec), [x, y], atol=1e-6)
    assert np.allclose(wcs.all_world2pix(ra, dec, 0), [x, y], atol=1e-3)


def test_the_first_pixel_counts_one_in_fits():
    """Greisen & Calabretta 2002 section 2.1.4: whole numbers at centres, the first is 1."""
    found = solution(linear(0))
    assert wcs_cards(found)["CRPIX1"][0] == 600.5
    assert found.sky(599.5, 399.5) == pytest.approx((303.2, 46.0), abs=1e-9)


def test_a_header_from_the_paper():
    """Calabretta & Greisen 2002 section 7.1, Table 6: corners of a 512 x 512 image, CDELT 0.003, CRPIX 256, 257."""
    cd = np.diag([-0.003, 0.003])
    found = solution(Mapping(cd, np.zeros((2, 0)), np.zeros((2, 0)), 1), 45.83, 63.57, (513, 511))
    # the touching point is the middle of a picture: one with its middle at 256, 257
    for x, y, ra, dec in (
        (1, 2, 47.503264, 62.795111),
        (1, 512, 47.595581, 64.324332),
        (511, 512, 44.064419, 64.324332),
    ):
        assert found.sky(x - 1, y - 1) == pytest.approx((ra, dec), abs=1e-6)


def test_one_term_of_sip_from_the_paper():
    """Shupe et al. 2005: f = A_20 u^2 + A_11 u v + A_02 v^2; at u = v = 100 with these, 100.05514879 (astropy)."""
    terms = {(2, 0): 8.543473309812e-6, (1, 1): -5.194753640575e-6, (0, 2): 2.16615952976e-6}
    forward = np.array([[terms.get(power, 0.0) for power in powers(2)], [0.0, 0.0, 0.0]])
    mapping = Mapping(np.eye(2), forward, np.zeros((2, 5)), 2)
    assert mapping.standard(np.array(100.0), np.array(100.0))[0] == pytest.approx(100.05514879, abs=1e-8)


@pytest.mark.parametrize(("angle", "flip"), [(0, 1), (30, 1), (200, -1), (271, -1)])
def test_scale_rotation_and_side_as_seen_on_the_sky(angle, flip):
    """Measured with astropy's spherical geometry around the middle."""
    found = solution(linear(angle, flip))
    middle, up, right = (
        SkyCoord(*found.sky(599.5 + a, 399.5 + b), unit="deg") for a, b in ((0, 0), (0, 5), (5, 0))
    )
    turned = (middle.position_angle(up).deg - found.rotation_deg + 180) % 360 - 180
    assert abs(turned) < 0.01
    # looking up with north up, east is left: right of up is then a smaller position angle
    side = np.sin(middle.position_angle(right).rad - middle.position_angle(up).rad)
    assert found.mirrored == (side > 0)
    assert found.scale_arcsec == pytest.approx(2.0, rel=1e-9)
    assert proj_plane_pixel_scales(wcs_of(found)) * 3600 == pytest.approx([2.0, 2.0], rel=1e-9)
