from __future__ import annotations

import math

import galsim
import numpy as np
import pytest
from photutils.aperture import CircularAperture

from fourlight.simulate.light import throughput
from fourlight.simulate.plan import widths_arcsec
from fourlight.simulate.psf import Profile, add_stars, shape_matrix, star_radius_px
from fourlight.simulate.scene import loads

ALL = np.zeros((2, 2), dtype=np.int64)


def star(
    profile: Profile, shape: np.ndarray, x: float, y: float, size: int = 61, electrons: float = 1e5
) -> np.ndarray:
    image = np.zeros((size, size))
    flux = np.array([[electrons]])
    radius = star_radius_px(profile, shape, flux[:, 0])
    place = np.array([[x]]), np.array([[y]])
    add_stars(image, ALL, *place, flux, radius, shape[None], profile.scale, profile.peak, profile.beta)
    return image


@pytest.mark.parametrize(
    ("beta", "ratio"), [(2.5, 1.13050), (3.0, 1.01965), (4.765, 0.79140), (10.0, 0.53581)]
)
def test_moffat_width(beta: float, ratio: float) -> None:
    # Moffat 1969: FWHM / alpha = 2 sqrt(2^(1/beta) - 1); values by GalSim.
    assert 1.0 / Profile(beta).scale == pytest.approx(ratio, abs=1e-5)


def test_gaussian_width() -> None:
    # FWHM = 2.35482 sigma.
    assert 1.0 / Profile(0.0).scale == pytest.approx(2.354820, abs=1e-6)


@pytest.mark.parametrize(("fwhm", "half", "whole"), [(30.0, 0.5, 0.9375), (4.70964, 0.4929, 0.9339)])
def test_gaussian_flux_inside_the_width(fwhm: float, half: float, whole: float) -> None:
    # A Gaussian holds 0.5 inside half its width and 0.9375 inside its width. At sigma = 2 the pixel area
    # widens it to sigma^2 + 1/12: 1 - 2^-(4 / 4.0833) and 1 - 2^-(4 * 4 / 4.0833), as an exact aperture gives.
    inside = np.zeros(2)
    steps = 6 if fwhm > 10.0 else 25
    phases = [(i / steps, j / steps) for j in range(steps) for i in range(steps)]
    middle = math.ceil(2.5 * fwhm)
    y, x = np.mgrid[: 2 * middle + 1, : 2 * middle + 1] - middle
    for dx, dy in phases:
        image = star(Profile(0.0), shape_matrix(fwhm, 0.0, 0.0), middle + dx, middle + dy, 2 * middle + 1)
        r = np.hypot(x - dx, y - dy)
        inside += [image[r < 0.5 * fwhm].sum(), image[r < fwhm].sum()]
    np.testing.assert_allclose(inside / (1e5 * len(phases)), [half, whole], atol=1e-3)


@pytest.mark.parametrize("beta", [0.0, 3.5, 2.5])
@pytest.mark.parametrize(("fwhm", "x", "y"), [(1.3, 30.0, 30.0), (1.9, 30.31, 29.77), (3.2, 30.5, 30.5)])
def test_star_is_that_of_galsim(beta: float, fwhm: float, x: float, y: float) -> None:
    made = galsim.Moffat(beta, fwhm=fwhm, flux=1e5) if beta else galsim.Gaussian(fwhm=fwhm, flux=1e5)
    parameters = galsim.GSParams(maximum_fft_size=16384, folding_threshold=1e-5, maxk_threshold=1e-5)
    model = made.withGSParams(parameters)
    expected = model.drawImage(nx=61, ny=61, scale=1.0, offset=(x - 30.0, y - 30.0)).array
    found = star(Profile(beta), shape_matrix(fwhm, 0.0, 0.0), x, y)
    # 1e-3 of the peak: the library's own accuracy in Fourier space at these settings is a few 1e-4.
    np.testing.assert_allclose(found, expected, atol=1e-3 * expected.max())


def test_smear_lies_where_it_is_said() -> None:
    image = star(Profile(0.0), shape_matrix(3.0, 6.0, 30.0), 30.0, 30.0)
    y, x = np.mgrid[:61, :61] - 30.0
    moments = [(image * a * b).sum() / image.sum() for a, b in ((x, x), (y, y), (x, y))]
    angle = 0.5 * np.degrees(np.arctan2(2 * moments[2], moments[0] - moments[1]))
    assert angle == pytest.approx(30.0, abs=0.1)
    # Major axis in quadrature; pixel area adds 1/12 to both.
    trace, root = moments[0] + moments[1], np.hypot(moments[0] - moments[1], 2 * moments[2])
    assert 2.35482 * np.sqrt(0.5 * (trace + root) - 1 / 12) == pytest.approx(np.hypot(3, 6), rel=2e-3)
    assert 2.35482 * np.sqrt(0.5 * (trace - root) - 1 / 12) == pytest.approx(3.0, rel=2e-3)


def test_encircled_energy_of_a_moffat() -> None:
    # Inside r: 1 - (1 + r^2 / alpha^2)^(1 - beta).
    image = star(Profile(3.0), shape_matrix(12.0, 0.0, 0.0), 200.0, 200.0, size=401)
    alpha = 12.0 / 1.01965
    for radius in (12.0, 30.0, 90.0):
        found, _ = CircularAperture((200.0, 200.0), radius).do_photometry(image)
        assert found[0] / 1e5 == pytest.approx(1.0 - (1.0 + (radius / alpha) ** 2) ** -2.0, abs=1e-3)


def test_seeing_law() -> None:
    # Kolmogorov: lambda^-0.2; 500 to 656 nm 0.9471, 500 to 400 nm 1.0456.
    # a slow beam, for the band to stay where it is
    optics = "[optics]\naperture_mm = 1e7\nfocal_mm = 1e9\nblur_arcsec = 0\ncolour_blur_arcsec = 0\n"
    for wave, factor in ((656.28, 0.9471), (400.0, 1.0456), (500.0, 1.0)):
        scene = loads(optics + f"[filter]\nbands_nm = [[{wave}, 0.6]]")
        assert widths_arcsec(scene, throughput(scene), 2.0)[1] / 2.0 == pytest.approx(factor, abs=2e-4)


@pytest.mark.parametrize(
    ("aperture", "wave", "width"), [(100, 550.0, 1.167), (200, 550.0, 0.584), (250, 500.0, 0.424)]
)
def test_diffraction(aperture: int, wave: float, width: float) -> None:
    # Airy: 1.02899 lambda / D (Born & Wolf).
    scene = loads(
        f"[optics]\naperture_mm = {aperture}\nfocal_mm = 1e5\nblur_arcsec = 0\ncolour_blur_arcsec = 0\n"
        f"[filter]\nbands_nm = [[{wave}, 0.6]]"
    )
    assert widths_arcsec(scene, throughput(scene), 1e-9)[1] == pytest.approx(width, abs=1e-3)


def test_equal_widths_on_request() -> None:
    scene = loads("[optics]\nequal_psf = true")
    widths = widths_arcsec(scene, throughput(scene), 2.0)
    assert widths[0] == widths[1] == widths[2]
