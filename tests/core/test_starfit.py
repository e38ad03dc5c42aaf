"""Star fits against photon limits, analytic truths and scipy's solver."""

import runpy
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import least_squares

from fourlight.core.cfa import plane_map
from fourlight.core.starequations import solve
from fourlight.core.starfit import fit_stars
from fourlight.core.starmodel import BETA, moffat_fwhm, moffat_shape

fields = runpy.run_path(str(Path(__file__).parents[1] / "fields.py"))
CELL = plane_map("RGGB")
ONES = np.ones(4)


def one_star(fwhm=3.0, x=20.3, y=18.8, flux=5000.0, sky=50.0, shape=(40, 42), **kwargs):
    return sky + fields["paint_stars"](
        shape, np.array([x]), np.array([y]), np.array([flux]), fwhm, BETA, **kwargs
    )


def fitted(image, x=20.0, y=19.0, variance=ONES, poisson=1.0, fwhm=3.0, radius=8):
    return fit_stars(
        np.asarray(image, dtype=np.float32), CELL, variance, poisson, np.array([float(x)]), np.array([float(y)]),
        moffat_shape(fwhm), radius,
    )  # fmt: skip


def test_width_of_the_profile():
    # FWHM / alpha = 1.01965 at beta 3 (Moffat 1969; GalSim)
    for alpha in (0.8, 2.0, 5.0):
        assert moffat_fwhm(alpha**-2, 0.0, alpha**-2)[0] == pytest.approx(1.01965 * alpha, rel=1e-5)
    assert moffat_shape(1.01965) == pytest.approx(1.0, rel=2e-5)


@pytest.mark.parametrize("turn", [0.0, 0.4, 1.2, 2.5, 3.0])
def test_elongation_and_its_angle(turn):
    image = one_star(4.0, long=1.5, turn=turn, pixel=False)
    p, fine = fitted(image, fwhm=4.0, radius=10)
    width, long, angle = moffat_fwhm(*p[0, 2:5])
    assert fine[0]
    assert (width, long) == pytest.approx((4.0, 1.5), rel=1e-3)
    assert np.cos(2 * (angle - turn)) == pytest.approx(1.0, abs=1e-5)


def test_a_star_of_the_model_is_found_exactly():
    p, fine = fitted(one_star(3.3, pixel=False))
    assert fine[0]
    np.testing.assert_allclose(p[0, :2], [20.3, 18.8], atol=2e-4)
    assert moffat_fwhm(*p[0, 2:5])[0] == pytest.approx(3.3, rel=1e-3)
    # peak of unit flux is (beta - 1) / (pi alpha^2), alpha = FWHM / 1.01965
    peak = 5000 * 2 / (np.pi * (3.3 / 1.01965) ** 2)
    np.testing.assert_allclose(p[0, 5::2], peak, rtol=2e-3)
    np.testing.assert_allclose(p[0, 6::2], 50, atol=0.2)


def test_pixels_that_integrate_do_not_move_the_centre():
    rng = np.random.default_rng(1)
    for x, y in rng.uniform(19, 21, (12, 2)):
        p, _ = fitted(one_star(2.6, x, y), x, y)
        # a mosaic samples each colour at every second pixel: 0.002 px is the residual of the point-like pixel
        np.testing.assert_allclose(p[0, :2], [x, y], atol=2e-3)


def test_centroids_reach_the_photon_limit():
    """Photon-limited centroid: sigma / sqrt N per axis; sigma 2 px, N 1e4: 0.020 px (the bound of Cramer and Rao)."""
    rng = np.random.default_rng(2)
    sigma, count = 2.0, 1e4
    y, x = np.mgrid[:41, :41]
    error = []
    for cx, cy in rng.uniform(19.5, 20.5, (250, 2)):
        star = count * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (2 * sigma**2)) / (2 * np.pi * sigma**2)
        p, fine = fitted(rng.poisson(star + 1.0), 20, 20, fwhm=4.7, radius=11)
        assert fine[0]
        error.append(p[0, :2] - [cx, cy])
    # Moffat wings are not the Gaussian's, which costs a few per cent; nothing may beat the bound.
    assert 0.93 < np.std(error) / (sigma / np.sqrt(count)) < 1.2
    assert abs(np.mean(error)) < 4 * 0.02 / np.sqrt(500)


def test_fit_equals_scipys_least_squares():
    """The same weighted problem by an independent solver; weights fixed by a high sky variance."""
    rng = np.random.default_rng(3)
    image = one_star(3.0, long=1.2, turn=0.7) + rng.normal(0, 5, (40, 42))
    variance = np.array([25.0, 20.0, 30.0, 25.0])
    p, fine = fitted(image, variance=variance, poisson=0.0)
    y, x = np.mgrid[:40, :42]
    use = (x - 20) ** 2 + (y - 19) ** 2 <= 8 * 8 + 8
    x, y, data = x[use], y[use], image.astype(np.float32)[use]
    plane = CELL[y % 2, x % 2]

    def residual(q):
        dx, dy = x - q[0], y - q[1]
        f = (1 + q[2] * dx**2 + 2 * q[3] * dx * dy + q[4] * dy**2) ** -BETA
        return (data - q[5::2][plane] * f - q[6::2][plane]) / np.sqrt(variance[plane])

    assert fine[0]
    best = least_squares(residual, p[0], x_scale=np.abs(p[0]) + 0.01)
    assert (residual(p[0]) ** 2).sum() <= 2 * best.cost + 1e-3
    np.testing.assert_allclose(p[0, :2], best.x[:2], atol=1e-3)


def test_cholesky_equals_numpy():
    rng = np.random.default_rng(4)
    a = rng.normal(0, 1, (13, 13))
    matrix, vector = a @ a.T + 0.1 * np.eye(13), rng.normal(0, 1, 13)
    work, solution = matrix.copy(), vector.copy()
    assert solve(work, solution)
    np.testing.assert_allclose(solution, np.linalg.solve(matrix, vector), rtol=1e-8)
    assert not solve(np.array([[1.0, 2.0], [2.0, 1.0]]), np.ones(2))


def test_missing_samples_and_a_hole_in_the_middle_are_survived():
    image = one_star(3.2).astype(np.float32)
    image[19, 20] = np.nan
    image[::7, ::5] = np.nan
    p, fine = fitted(image)
    assert fine[0]
    np.testing.assert_allclose(p[0, :2], [20.3, 18.8], atol=0.01)


@pytest.mark.parametrize(
    "image",
    [
        np.full((40, 42), np.nan),
        np.full((40, 42), 7.0),
        np.zeros((1, 1)),
        np.where(np.mgrid[:40, :42][0] == 19, 900.0, 50.0),
    ],
    ids=["nothing", "constant", "one pixel", "a trail"],
)
def test_what_is_no_star_gives_finite_numbers_or_no_fit(image):
    p, fine = fitted(image)
    assert np.isfinite(p).all() or not fine[0]
    if fine[0]:
        assert not 0.5 < moffat_fwhm(*p[0, 2:5])[1] < 1.3 or abs(p[0, 5]) < 1


def test_stars_at_the_rim_and_no_stars():
    image = one_star(3.0, 1.2, 0.7)
    p, fine = fitted(image, 1, 1)
    assert not fine[0] or np.hypot(p[0, 0] - 1.2, p[0, 1] - 0.7) < 0.05
    none = fit_stars(
        image.astype(np.float32), CELL, ONES, 1.0, np.empty(0), np.empty(0), moffat_shape(3.0), 8
    )
    assert none[0].shape == (0, 13)
