"""What a plane holds: painted sky, light, noise and width come back; shares add up to one."""

from dataclasses import replace

import numpy as np
import pytest

from fields import apart, frame_table, paint_stars, star_list
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
    unknown = dict.fromkeys(("sky", "object", "noise", "fwhm_px", "fwhm_error_px"))
    assert found == {**unknown, "samples_median": 0.0}


def test_few_stars_give_no_width(plane):
    value, _, stars = plane
    few = star_list(stars.x[:2], stars.y[:2], stars.flux[:2])
    ones = np.ones(SHAPE, np.float32)
    found = plane_holdings(value, ones, ones, few, np.nan)
    assert found["fwhm_px"] is found["fwhm_error_px"] is None
    assert found["sky"] == pytest.approx(np.nanmedian(value)), "where no sky is known"


def test_the_error_of_a_width_is_how_widths_scatter():
    """Of planes that differ by their noise and by how wide each star is."""
    rng = np.random.default_rng(8)
    place = apart(rng, 40, SHAPE, 26, 20)
    ones, found = np.ones(SHAPE, np.float32), []
    for _ in range(24):
        value = np.full(SHAPE, 100.0) + rng.normal(0, 20, SHAPE)
        for x, y in place:
            value += paint_stars(
                SHAPE, np.array([x]), np.array([y]), np.array([8e3]), 3.4 * rng.uniform(0.9, 1.1)
            )
        stars = star_list(*place.T, np.full((len(place), 4), 2e3), fwhm=3.4)
        found.append(plane_holdings(value.astype(np.float32), 400 * ones, ones, stars, 100.0))
    widths, errors = (np.array([each[key] for each in found]) for key in ("fwhm_px", "fwhm_error_px"))
    # a scatter of 24 is known to 15 %, an error from 8 groups to 27 % (chi-square), their mean to 6 %
    assert np.sqrt(np.mean(errors**2)) == pytest.approx(widths.std(ddof=1), rel=0.35)


def lights(scale=((1.0,) * 4,), more=((0.0,) * 4,)):
    """A table of lights that differ from the reference in transparency and sky."""
    found = frame_table(np.array([np.eye(2, 3)] * len(scale)), SHAPE, noise=np.ones((len(scale), 4)))
    return replace(found, scale=np.array(scale), sky=np.array(more)[:, :, None])


def test_the_sky_of_every_light_counts():
    """By hand: a dark reference, and a moonlit light through haze whose sky is bluer and twice as bright."""
    planes = {name: {"sky": 100.0, "object": 20.0} for name in ("R", "G1", "G2", "B")}
    table = lights([[1.0] * 4, [0.5] * 4], [[0.0] * 4, [100.0, 150.0, 150.0, 200.0]])
    found = with_shares(planes, table, pedestal_known=True)
    by_hand = np.array([120 + 60 + 100, 120 + 60 + 150, 120 + 60 + 150, 120 + 60 + 200])
    shares = [found[name]["share_of_electrons"] for name in ("R", "G1", "G2", "B")]
    np.testing.assert_allclose(shares, by_hand / by_hand.sum())
    assert found["B"]["share_of_object_electrons"] == pytest.approx(0.25)


def test_shares_of_the_planes():
    # a galaxy of 5000 K: R .25, G .57 (two planes), B .18 of the electrons
    light = {"R": 25.0, "G1": 28.5, "G2": 28.5, "B": 18.0, "G": 28.5}
    planes = {name: {"sky": 100.0, "object": value} for name, value in light.items()}
    found = with_shares(planes, lights(), pedestal_known=True)
    own = [found[name]["share_of_object_electrons"] for name in ("R", "G1", "G2", "B")]
    np.testing.assert_allclose(own, [0.25, 0.285, 0.285, 0.18])
    whole = [found[name]["share_of_electrons"] for name in ("R", "G1", "G2", "B")]
    np.testing.assert_allclose(whole, [0.25, 0.257, 0.257, 0.236])
    assert sum(whole) == pytest.approx(1)
    assert "share_of_electrons" not in found["G"]


def test_shares_that_cannot_be_known():
    planes = {name: {"sky": 100.0, "object": 5.0} for name in ("R", "G1", "G2", "B")}
    found = with_shares({k: dict(v) for k, v in planes.items()}, lights(), pedestal_known=False)
    assert found["R"]["share_of_electrons"] is None
    assert found["R"]["share_of_object_electrons"] == pytest.approx(0.25)
    planes["B"]["object"] = -1.0
    assert with_shares(planes, lights(), pedestal_known=True)["R"]["share_of_object_electrons"] is None
    empty = {name: {"sky": None, "object": None} for name in ("R", "G1", "G2", "B")}
    assert with_shares(empty, lights(), pedestal_known=True)["G1"]["share_of_electrons"] is None
