"""Shared shapes, fluxes and aperture ratios against analytic stars and direct solutions."""

import runpy
from pathlib import Path

import numpy as np
import pytest

from fourlight.core.cfa import plane_map
from fourlight.core.starmodel import BETA, moffat_fwhm, moffat_shape
from fourlight.core.starshape import aperture_ratios, plane_fluxes, plane_shape

fields = runpy.run_path(str(Path(__file__).parents[1] / "fields.py"))
CELL = plane_map("GRBG")
SHAPE = (240, 260)


@pytest.fixture(scope="module")
def field():
    rng = np.random.default_rng(1)
    place = fields["apart"](rng, 50, SHAPE, 24, 24)
    flux = rng.uniform(3e3, 3e4, len(place))
    return place[:, 0], place[:, 1], flux


def painted(field, fwhm, **kwargs):
    x, y, flux = field
    return fields["paint_stars"](SHAPE, x, y, flux, fwhm, BETA, reach=24, **kwargs)


def shape_of(fwhm):
    return np.array([moffat_shape(fwhm), 0.0, moffat_shape(fwhm)])


@pytest.mark.parametrize("plane", range(4))
def test_shape_and_shift_of_one_plane_are_recovered(field, plane):
    """One plane sees a quarter of the pixels; its truth is another width and place than the others'."""
    x, y, _ = field
    image = painted((x + 0.15, y - 0.08, field[2]), 2.7, long=1.2, turn=0.5, pixel=False)
    found, fine = plane_shape(image.astype(np.float32), CELL, plane, 4.0, 1.0, x, y, shape_of(3.2), 9)
    width, long, angle = moffat_fwhm(*found[:3])
    assert fine
    assert (width, long, angle) == pytest.approx((2.7, 1.2, 0.5), rel=2e-3)
    np.testing.assert_allclose(found[3:], [0.15, -0.08], atol=2e-3)


def test_scatter_of_the_shared_width_is_small(field):
    """Own prototype: 0.5 to 0.7 per cent per frame, no bias: five exposures of faint stars in one plane."""
    x, y, flux = field
    rng = np.random.default_rng(2)
    clean = painted((x, y, flux), 3.0, pixel=False) + 100.0
    width = []
    for _ in range(5):
        image = rng.poisson(clean).astype(np.float32)
        found, _ = plane_shape(image, CELL, 0, 100.0, 1.0, x, y, shape_of(3.3), 9)
        width.append(moffat_fwhm(*found[:3])[0])
    assert np.mean(width) == pytest.approx(3.0, rel=5e-3)
    assert np.std(width) < 0.007 * 3.0


def test_fluxes_are_those_painted_and_errors_tell_the_scatter(field):
    x, y, flux = field
    rng = np.random.default_rng(3)
    clean = painted(field, 3.0, pixel=False) + 400.0
    pulls = []
    for _ in range(12):
        image = rng.poisson(clean).astype(np.float32)
        found, error = plane_fluxes(image, CELL, 1, 400.0, 1.0, x, y, np.array([*shape_of(3.0), 0, 0]), 9)
        pulls.append((found - flux) / error)
    # 600 pulls: 3 per cent on their scatter, 0.04 on their mean; 0.15 sigma are 0.15 per cent of a star here
    assert np.std(pulls) == pytest.approx(1.0, abs=0.1)
    assert abs(np.mean(pulls)) < 0.15


def test_flux_is_linear_in_the_light(field):
    x, y, _ = field
    shape = np.array([*shape_of(3.0), 0.0, 0.0])
    image = painted(field, 2.8).astype(np.float32)
    one, _ = plane_fluxes(image, CELL, 2, 9.0, 0.0, x, y, shape, 9)
    seven, _ = plane_fluxes(7 * image + 3, CELL, 2, 9.0, 0.0, x, y, shape, 9)
    np.testing.assert_allclose(seven, 7 * one, rtol=1e-5)


def test_flux_is_the_weighted_solution_of_numpy(field):
    x, y, _ = field
    image = painted(field, 3.0) + np.random.default_rng(4).normal(20, 3, SHAPE)
    image = image.astype(np.float32)
    p = np.array([*shape_of(3.1), 0.1, 0.0])
    found, error = plane_fluxes(image, CELL, 0, 9.0, 0.0, x[:1], y[:1], p, 9)
    v, u = np.mgrid[: SHAPE[0], : SHAPE[1]]
    cx, cy = x[0] + 0.1, y[0]
    use = (CELL[v % 2, u % 2] == 0) & ((u - np.rint(cx)) ** 2 + (v - np.rint(cy)) ** 2 <= 90)
    f = (1 + p[0] * (u[use] - cx) ** 2 + p[2] * (v[use] - cy) ** 2) ** -BETA
    design = np.column_stack([f, np.ones(f.size)])
    best, covariance = (
        np.linalg.lstsq(design, image[use], rcond=None)[0],
        np.linalg.inv(design.T @ design) * 9,
    )
    area = np.pi / ((BETA - 1) * p[0])
    assert (found[0], error[0]) == pytest.approx((area * best[0], area * np.sqrt(covariance[0, 0])), rel=1e-4)


def test_aperture_ratio_is_the_light_of_a_disc_over_that_of_the_profile():
    """A Gaussian has 1 - 2^-(4 r^2 / FWHM^2) inside r, a Moffat (1969) 1 - (1 + r^2/a^2)^(1-b)."""
    rng = np.random.default_rng(5)
    place = fields["apart"](rng, 60, (420, 420), 36, 24)
    sigma, radius, alpha = 2.0, 2.354820 * 2.0, 4.0
    v, u = np.mgrid[:420, :420]
    image = np.zeros((420, 420))
    for x, y in place:
        image += np.exp(-((u - x) ** 2 + (v - y) ** 2) / (2 * sigma**2)) / (2 * np.pi * sigma**2)
    light = np.array([1.0, 2.0, 2.0, 0.5])
    image *= light[CELL[v % 2, u % 2]]
    shapes = np.tile([alpha**-2, 0.0, alpha**-2, 0.0, 0.0], (4, 1))
    flux = np.tile(light, (len(place), 1))
    ratio = aperture_ratios(image.astype(np.float32), CELL, *place.T.copy(), flux, shapes, radius)
    gauss, moffat = 1 - 2.0**-4, 1 - (1 + radius**2 / alpha**2) ** (1 - BETA)
    # r = FWHM: 0.9375 (S28). The ring of 1 to 1.5 radii still holds starlight; its median lies at r^2 (1 + 2.25) / 2.
    ring = np.pi * radius**2 * np.exp(-1.625 * radius**2 / (2 * sigma**2)) / (2 * np.pi * sigma**2)
    expected = (gauss - ring) / moffat
    assert np.mean(ratio) == pytest.approx(expected, rel=5e-3)
    # a disc of 70 samples, each counted in whole or not at all, does not scatter more than this
    assert np.std(ratio) < 0.01 * expected
    three = aperture_ratios(
        image.astype(np.float32), CELL, *place.T.copy(), flux * [1, 1, 1, 0], shapes, radius
    )
    assert np.mean(three) == pytest.approx(expected, rel=0.01)


def test_aperture_ratio_needs_the_whole_disc_and_some_light():
    image = np.ones((60, 60), dtype=np.float32)
    image[30, 30:34] = np.nan
    shapes = np.tile([*shape_of(3.0), 0.0, 0.0], (4, 1))
    x, y = np.array([2.0, 30.0, 20.0, 42.0]), np.array([30.0, 30.0, 20.0, 20.0])
    flux = np.ones((4, 4))
    flux[3] = 0
    found = aperture_ratios(image, CELL, x, y, flux, shapes, 8.0)
    np.testing.assert_array_equal(np.isnan(found), [True, True, False, True])
    assert abs(found[2]) < 1e-9


def test_no_stars_and_no_samples():
    start = shape_of(3.0)
    empty = np.empty(0)
    image = np.full((30, 30), np.nan, dtype=np.float32)
    found, fine = plane_shape(image, CELL, 0, 1.0, 0.0, empty, empty, start, 6)
    assert not fine
    np.testing.assert_array_equal(found, [*start, 0, 0])
    flux, error = plane_fluxes(image, CELL, 0, 1.0, 0.0, np.array([15.0]), np.array([15.0]), found, 6)
    assert flux[0] == 0
    assert np.isnan(error[0])
    found, fine = plane_shape(image, CELL, 0, 1.0, 0.0, np.array([15.0]), np.array([15.0]), start, 6)
    assert not fine


def test_a_picture_in_which_every_pixel_is_of_one_plane(field):
    """As in a stack: the disc holds four times the samples that it has of one plane of a mosaic."""
    x, y, flux = field
    image = (painted(field, 2.7, pixel=False) + 50.0).astype(np.float32)
    whole = np.zeros((2, 2), dtype=np.int64)
    found, fine = plane_shape(image, whole, 0, 4.0, 1.0, x, y, shape_of(3.2), 9)
    assert fine
    assert moffat_fwhm(*found[:3])[0] == pytest.approx(2.7, rel=2e-3)
    light, error = plane_fluxes(image, whole, 0, 50.0, 1.0, x, y, found, 9)
    np.testing.assert_allclose(light, flux, rtol=0.01)
    mosaic_error = plane_fluxes(image, CELL, 0, 50.0, 1.0, x, y, found, 9)[1]
    assert np.median(mosaic_error / error) == pytest.approx(2.0, rel=0.1)
