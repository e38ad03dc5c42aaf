"""What a plane holds: painted sky, light, noise and width come back; shares add up to one."""

import numpy as np
import pytest

from fields import apart, paint_stars, star_list
from fourlight.stages.holdings import plane_holdings, with_shares

SHAPE = (320, 360)


@pytest.fixture(scope="module")
def plane():
    rng = np.random.default_rng(1)
    place = apart(rng, 40, SHAPE, 26, 20)
    flux = np.geomspace(5e4, 3e3, len(place))
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    glow = 60 * np.exp(-((x - 120) ** 2 + (y - 200) ** 2) / (2 * 30**2))
    light = paint_stars(SHAPE, *place.T, flux, 3.4) + glow
    value = (150 + light + rng.normal(0, 2, SHAPE)).astype(np.float32)
    value[:, :6] = np.nan
    stars = star_list(*place.T, np.tile(flux[:, None] / 4, (1, 4)), fwhm=3.2)
    return value, light, stars


def test_painted_numbers_come_back(plane):
    value, light, stars = plane
    variance = np.where(np.isfinite(value), 4.0, np.nan).astype(np.float32)
    samples = np.where(np.isfinite(value), 7.0, 0.0).astype(np.float32)
    found = plane_holdings(value, variance, samples, stars, 150.0)
    assert found["sky"] == 150
    assert found["object"] == pytest.approx(light[:, 6:].mean(), abs=1.0)
    assert found["noise"] == pytest.approx(2.0)
    assert found["samples_median"] == 7
    # the pixel adds 1/12 px^2 per axis
    assert found["fwhm_px"] == pytest.approx(np.sqrt(3.4**2 + 2.355**2 / 12), rel=0.02)


def test_an_empty_plane_holds_nothing(plane):
    nothing = np.full(SHAPE, np.nan, dtype=np.float32)
    found = plane_holdings(nothing, nothing, np.zeros(SHAPE, dtype=np.float32), plane[2], np.nan)
    assert found == {"sky": None, "object": None, "noise": None, "fwhm_px": None, "samples_median": 0.0}


def test_few_stars_give_no_width(plane):
    value, _, stars = plane
    few = star_list(stars.x[:2], stars.y[:2], stars.flux[:2])
    ones = np.ones(SHAPE, np.float32)
    found = plane_holdings(value, ones, ones, few, np.nan)
    assert found["fwhm_px"] is None
    assert found["sky"] == pytest.approx(np.nanmedian(value)), "where no sky is known"


def test_shares_of_the_planes():
    # a galaxy of 5000 K: R .25, G .57 (two planes), B .18 of the electrons
    light = {"R": 25.0, "G1": 28.5, "G2": 28.5, "B": 18.0, "G": 28.5}
    planes = {name: {"sky": 100.0, "object": value} for name, value in light.items()}
    found = with_shares(planes, pedestal_known=True)
    own = [found[name]["share_of_object_electrons"] for name in ("R", "G1", "G2", "B")]
    np.testing.assert_allclose(own, [0.25, 0.285, 0.285, 0.18])
    whole = [found[name]["share_of_electrons"] for name in ("R", "G1", "G2", "B")]
    np.testing.assert_allclose(whole, [0.25, 0.257, 0.257, 0.236])
    assert sum(whole) == pytest.approx(1)
    assert "share_of_electrons" not in found["G"]


def test_shares_that_cannot_be_known():
    planes = {name: {"sky": 100.0, "object": 5.0} for name in ("R", "G1", "G2", "B")}
    found = with_shares({k: dict(v) for k, v in planes.items()}, pedestal_known=False)
    assert found["R"]["share_of_electrons"] is None
    assert found["R"]["share_of_object_electrons"] == pytest.approx(0.25)
    planes["B"]["object"] = -1.0
    assert with_shares(planes, pedestal_known=True)["R"]["share_of_object_electrons"] is None
    empty = {name: {"sky": None, "object": None} for name in ("R", "G1", "G2", "B")}
    assert with_shares(empty, pedestal_known=True)["G1"]["share_of_electrons"] is None
