"""Stars measured on raw mosaic samples against sep and photutils, which see the full picture, and against truth."""

import runpy
from pathlib import Path

import numpy as np
import pytest
import sep
from photutils.aperture import CircularAperture, aperture_photometry
from photutils.centroids import centroid_2dg, centroid_sources
from photutils.detection import DAOStarFinder

from fourlight.recipe import Measure
from fourlight.stages.measure import measure

fields = runpy.run_path(str(Path(__file__).parents[1] / "fields.py"))
SHAPE = (400, 420)
FWHM = 3.0
SKY = 300.0


def white_field(seed, fwhm=FWHM, beta=3.0):
    """Grey stars: each plane sees the same light, so that the mosaic frame is a full picture for the libraries."""
    rng = np.random.default_rng(seed)
    place = fields["apart"](rng, 70, SHAPE, 26, 30)
    flux = np.geomspace(2e3, 3e5, len(place))[::-1]
    clean = fields["paint_stars"](SHAPE, *place.T, flux, fwhm, beta, reach=40) + SKY
    image = (rng.poisson(clean) + rng.normal(0, 1.5, SHAPE)).astype(np.float32)
    return place, flux, image


def measured(image, **facts):
    raw = fields["raw_frame"]("a.fits", image.shape)
    return measure(raw, image, "RGGB", electrons=True, saturation=1e9, settings=Measure(), **facts)


def paired(place, x, y):
    """Rows of the found list for each true star; all must be there."""
    gap = np.hypot(x[None, :] - place[:, :1], y[None, :] - place[:, 1:])
    assert (gap.min(axis=1) < 1.0).all()
    return gap.argmin(axis=1)


@pytest.fixture(scope="module")
def fields_measured():
    return [(*white_field(seed), measured(white_field(seed)[2])) for seed in (1, 2, 3)]


def test_positions_are_no_worse_than_those_of_sep_and_photutils(fields_measured):
    """Both libraries see four times the samples per plane; our fit sees the same pixels without knowing them grey."""
    errors = {"ours": [], "sep": [], "photutils": []}
    for place, _, image, frame in fields_measured:
        picture = np.ascontiguousarray(image - SKY)
        x, y, _ = sep.winpos(picture, *place.T.copy(), FWHM / 2.355)
        errors["sep"].append(np.column_stack([x, y]) - place)
        x, y = centroid_sources(picture, *place.T, box_size=11, centroid_func=centroid_2dg)
        errors["photutils"].append(np.column_stack([x, y]) - place)
        k = paired(place, frame.stars.x, frame.stars.y)
        errors["ours"].append(np.column_stack([frame.stars.x[k], frame.stars.y[k]]) - place)
    for chosen in (slice(None, 32), slice(32, None)):
        rms = {
            name: np.sqrt(np.mean(np.concatenate([e[chosen] for e in found]) ** 2))
            for name, found in errors.items()
        }
        assert rms["ours"] < 1.05 * rms["sep"], rms
        assert rms["ours"] < 1.05 * rms["photutils"], rms
    assert abs(np.mean(np.concatenate(errors["ours"]))) < 0.003


def test_fluxes_agree_with_apertures_of_both_libraries_and_with_truth(fields_measured):
    for place, flux, image, frame in fields_measured:
        picture = np.ascontiguousarray(image - np.float32(SKY))
        k = paired(place, frame.stars.x, frame.stars.y)
        ours = frame.stars.flux[k].mean(axis=1)
        radius = 3.0 * FWHM
        theirs, _, _ = sep.sum_circle(picture, *place.T.copy(), radius, subpix=0)
        table = aperture_photometry(picture, CircularAperture(place, radius), method="exact")
        np.testing.assert_allclose(theirs, table["aperture_sum"].value, rtol=1e-4)
        # a Moffat of beta 3 has 1 - (1 + (r / alpha)^2)^-2 inside r, FWHM = 1.01965 alpha (O10), less what the ring
        # of 1 to 1.5 radii takes for sky; ours are tied to the same aperture
        inside = 1 - (1 + (radius * 1.01965 / FWHM) ** 2) ** -2
        bright = flux > 3e4
        assert np.median(theirs[bright] / flux[bright]) == pytest.approx(inside, abs=0.004)
        assert np.median(ours[bright] / theirs[bright]) == pytest.approx(1.0, abs=0.008)
        # linear from 2e3 to 3e5: the same ratio for faint stars within their error (0.5 per cent)
        ratio, error = ours / flux, np.sqrt((frame.stars.flux_error[k] ** 2).sum(axis=1)) / 4 / flux
        mean = np.average(ratio[bright], weights=error[bright] ** -2)
        faint = ~bright
        pull = (np.average(ratio[faint], weights=error[faint] ** -2) - mean) / mean
        assert abs(pull) < 0.005 + 2.5 / np.sqrt((error[faint] ** -2).sum())
        # the errors that come with the fluxes are the scatter
        assert np.std((ratio - mean)[faint] / error[faint]) == pytest.approx(1.0, abs=0.3)


def test_widths_agree_with_sep_and_truth(fields_measured):
    for place, _, image, frame in fields_measured:
        picture = np.ascontiguousarray(image - np.float32(SKY))
        # half-light radius of a Moffat of beta 3: alpha sqrt(sqrt 2 - 1); of sep within the aperture of 3 FWHM
        radius, _ = sep.flux_radius(picture, *place[:30].T.copy(), np.full(30, 3 * FWHM), 0.5, subpix=11)
        inside = 1 - (1 + (3 * 1.01965) ** 2) ** -2
        half = np.sqrt((1 - inside / 2) ** -0.5 - 1) / 1.01965
        width = np.median(radius) / half
        # widths include the pixel, 1/12 px^2 of variance per axis (2.5 per cent at 3 px); apertures that take pixels
        # as flat count it once more (own measurement with photutils)
        assert np.sqrt(FWHM**2 + 2.355**2 / 12) * 0.99 < width < np.sqrt(FWHM**2 + 2 * 2.355**2 / 12)
        np.testing.assert_allclose(frame.fwhm_px, np.sqrt(FWHM**2 + 2.355**2 / 12), rtol=0.02)
        np.testing.assert_allclose(frame.fwhm_px, width, rtol=0.03)


def test_as_many_stars_as_the_libraries_find(fields_measured):
    for place, _, image, frame in fields_measured:
        picture = np.ascontiguousarray(image - np.float32(SKY))
        noise = np.sqrt(SKY + 1.5**2)
        theirs = sep.extract(picture, 1.5, err=noise)
        finder = DAOStarFinder(threshold=5 * noise, fwhm=FWHM)(picture)
        assert len(frame.stars) >= len(place)
        assert len(frame.stars) <= min(len(theirs), len(finder) if finder is not None else 0) + 3


def test_sky_and_noise_agree_with_sep(fields_measured):
    for _, _, image, frame in fields_measured:
        back = sep.Background(image)
        np.testing.assert_allclose(frame.sky, back.globalback, atol=0.15 * back.globalrms)
        np.testing.assert_allclose(frame.noise, back.globalrms, rtol=0.03)
        # Poisson sky and read noise
        np.testing.assert_allclose(frame.noise, np.sqrt(SKY + 1.5**2), rtol=0.02)
