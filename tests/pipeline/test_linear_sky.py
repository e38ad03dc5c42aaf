"""Coordinates of a part of a stack, mirrored and turned, against astropy's reading of both headers."""

import numpy as np
import pytest
from astropy.wcs import WCS

from fourlight.pipeline.linear_sky import framing_cards, framing_of, linear_cards
from fourlight.stages.framing import Framing

SHAPE = (70, 110)
CARDS = {
    "WCSAXES": 2, "CTYPE1": "RA---TAN-SIP", "CTYPE2": "DEC--TAN-SIP", "CUNIT1": "deg", "CUNIT2": "deg",
    "CRVAL1": 50.0, "CRVAL2": 20.0, "CRPIX1": 51.3, "CRPIX2": 33.8,
    "CD1_1": -8e-4, "CD1_2": 3e-4, "CD2_1": 2.5e-4, "CD2_2": 9e-4,
    "A_ORDER": 3, "A_2_0": 2e-5, "A_1_1": -3e-5, "A_0_2": 1e-5, "A_3_0": 4e-7, "A_1_2": -2e-7,
    "B_ORDER": 3, "B_2_0": -1e-5, "B_1_1": 2e-5, "B_0_2": 3e-5, "B_0_3": 3e-7, "B_2_1": 5e-7,
    "AP_ORDER": 2, "AP_1_0": 1e-4, "AP_2_0": -2e-5, "AP_1_1": 3e-5,
    "BP_ORDER": 2, "BP_0_1": 2e-4, "BP_1_1": -2e-5, "BP_0_2": -3e-5,
}  # fmt: skip

ONE_SIDED = {name: value for name, value in CARDS.items() if name[:2] not in ("A_", "B_", "AP", "BP")} | {
    "A_ORDER": 2, "A_2_0": 2e-5, "B_ORDER": 2, "B_1_1": 3e-5,
    "AP_ORDER": 2, "AP_2_0": -2e-5, "BP_ORDER": 2, "BP_0_1": 2e-4,
}  # fmt: skip
"""Coefficients whose names, exchanged, are none that were there."""


def way_back(wcs, x, y):
    """Pixels from the reference pixel on, of the linear ones that lie at x, y."""
    middle = wcs.wcs.crpix[:, None, None]
    return wcs.sip_foc2pix(*(np.array([x, y]) + 1 - middle), 1) - middle


@pytest.mark.parametrize("cards", [CARDS, ONE_SIDED], ids=["full", "one-sided"])
@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("quarters", [0, 1, 2, 3])
@pytest.mark.parametrize("window", [(0, *SHAPE[:1], 0, SHAPE[1]), (7, 61, 12, 95)])
def test_every_pixel_keeps_its_place_on_the_sky(window, quarters, mirrored, cards):
    framing = Framing(window, quarters, mirrored)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
    before = WCS(cards)
    whole = (0, SHAPE[0], 0, SHAPE[1])
    ra, dec = (framing.part(whole, part) for part in before.all_pix2world(x, y, 0))
    after = WCS({name: value for name, (value, _) in linear_cards(cards, framing).items()})
    v, u = np.mgrid[: ra.shape[0], : ra.shape[1]].astype(float)
    now = after.all_pix2world(u, v, 0)
    # degrees: a millionth of an arcsecond, where a pixel is three arcseconds
    np.testing.assert_allclose(now, (ra, dec), atol=3e-10, rtol=0)
    # and by the polynomials of the way back, which astropy takes from the reference pixel on, counted from 1
    old = np.array(way_back(before, *(framing.part(whole, axis) for axis in (x, y))))
    turn, _ = framing.placing
    np.testing.assert_allclose(way_back(after, u, v), np.einsum("ij,jyx->iyx", turn, old), atol=1e-9)
    header = {name: value for name, (value, _) in framing_cards(framing).items()}
    assert framing_of({**header, "NAXIS1": ra.shape[1], "NAXIS2": ra.shape[0]}) == framing


def test_without_a_solution_there_are_no_cards():
    assert linear_cards({}, Framing((0, 20, 0, 30), 1)) == {}
