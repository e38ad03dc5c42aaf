"""Causes are told from each other in series made by GalSim's turbulence, diffraction and refraction."""

from dataclasses import replace

import galsim
import numpy as np
import pytest

from fourlight.core.widthcauses import CAUSES, Seen, explained

WAVE = np.array([616.0, 547.0, 482.0])
SPREAD = np.array([0.19, 0.19, 0.28])
N = 24


def seen_of(width, rng, **facts):
    """From widths (f, 3) of R, G, B, arcsec, with errors of 0.3 per cent."""
    noisy = width * np.exp(rng.normal(0, 0.003, width.shape))
    excess = 0.5 * (noisy[:, [0, 2]] ** 2 / noisy[:, [1]] ** 2 - 1)
    return Seen(
        excess, np.full(excess.shape, 0.0045), 0.001, noisy[:, 1], True, np.linspace(0, 5, N),
        facts.pop("tangent", None), WAVE, SPREAD, **facts,
    )  # fmt: skip


def turbulence(rng, low=0.05, high=0.11):
    """Widths (f, 3) of nights of different seeing."""
    fried = np.linspace(low, high, N) * np.exp(rng.normal(0, 0.05, N))
    return np.array(
        [[galsim.Kolmogorov(lam=w, r0_500=r, scale_unit=galsim.arcsec).fwhm for w in WAVE] for r in fried]
    )


def first(seen):
    return explained(seen)[0]


def test_turbulence_is_found():
    rng = np.random.default_rng(1)
    best = first(seen_of(turbulence(rng), rng))
    assert best.cause == "seeing"
    assert best.p > 0.01
    # red 2.3 per cent sharper, blue 2.6 blurrier
    np.testing.assert_allclose(best.predicted, [-0.024, 0.026], atol=0.004)


def test_diffraction_of_a_aperture_aperture_is_found():
    """50 mm in good seeing: GalSim's pupil convolved with its turbulence, widths of the pictures."""
    rng, widths = np.random.default_rng(2), []
    for r in (0.12, 0.16, 0.2, 0.25):
        row = []
        for w in WAVE:
            star = galsim.Convolve(
                galsim.Airy(lam=w, diam=0.05, scale_unit=galsim.arcsec),
                galsim.Kolmogorov(lam=w, r0_500=r, scale_unit=galsim.arcsec),
            )
            row.append(star.drawImage(nx=127, ny=127, scale=0.1, method="no_pixel").calculateFWHM())
        widths += [row] * (N // 4)
    seen = seen_of(np.array(widths), rng)
    known = {each.cause: each for each in explained(replace(seen, aperture_mm=50.0))}
    assert next(iter(known)) == "diffraction"
    assert known["diffraction"].predicted[0] > 0 > known["diffraction"].predicted[1]
    unknown = {each.cause: each.score for each in explained(seen)}
    assert next(iter(unknown)) in {"diffraction", "aperture"}
    assert unknown["seeing"] > unknown["diffraction"] + 20
    # nearly all of a telescope of 400 mm is turbulence: the given aperture rules diffraction out
    large = {each.cause: each for each in explained(replace(seen, aperture_mm=400.0))}
    assert large["diffraction"].score > known["diffraction"].score + 20


def test_turbulence_and_diffraction_of_a_aperture_telescope_are_told_from_a_lens():
    """106 mm: 1.029 lambda / D is 1.23, 1.10 and 0.97 arcsec, which a lens of one E for each colour does as well."""
    rng = np.random.default_rng(12)
    airy = 1.02899 * WAVE * 1e-6 / 106 * 206265
    width = np.sqrt(turbulence(rng, 0.06, 0.16) ** 2 + airy**2)
    seen = seen_of(width, rng)
    assert first(replace(seen, aperture_mm=106.0)).cause == "seeing"
    assert "aperture" not in {each.cause for each in explained(replace(seen, aperture_mm=106.0))}
    assert first(seen).cause == "aperture"
    assert first(seen).unknowns[0] == pytest.approx(airy[1] ** 2, rel=0.25)


def test_a_lens_that_blurs_red_is_found_and_its_blur():
    rng = np.random.default_rng(3)
    width = np.sqrt(turbulence(rng)[:, [1, 1, 1]] ** 2 + [1.2**2, 0.0, 0.4**2])
    best = first(seen_of(width, rng))
    assert best.cause == "lens"
    np.testing.assert_allclose(np.sqrt(best.unknowns), [1.2, 0.4], atol=0.06)
    assert (np.abs(best.unknowns - [1.44, 0.16]) < 4 * best.errors).all()


def test_turbulence_beside_a_lens_is_only_what_an_aperture_leaves_of_the_width():
    rng = np.random.default_rng(13)
    airy = 1.02899 * WAVE * 1e-6 / 106 * 206265
    width = np.sqrt(turbulence(rng, 0.05, 0.05) ** 2 + airy**2 + [0.7**2, 0.0, 0.0])
    both = next(
        each for each in explained(replace(seen_of(width, rng), aperture_mm=106.0)) if each.cause == "both"
    )
    assert both.unknowns[0] == pytest.approx(0.49, abs=3 * both.errors[0])
    assert both.unknowns[1] == pytest.approx(0.0, abs=3 * both.errors[1])
    assert (both.errors < 0.05).all()


def test_a_focus_that_drifts_is_told_from_one_that_stays():
    rng = np.random.default_rng(4)
    blur = np.outer(np.linspace(0.2, 1.4, N), [1.0, 0.0, 0.0])
    width = np.sqrt(turbulence(rng, 0.08, 0.08)[:, [1, 1, 1]] ** 2 + blur**2)
    assert first(seen_of(width, rng)).cause == "drift"


def by_air(rng, zenith):
    """Widths, and stretch, of lights whose filters of 100 nm are drawn out by GalSim's refraction."""
    bands = {w: np.linspace(w - 50, w + 50, 21) for w in WAVE}
    rms = np.array([
        [np.std([galsim.dcr.get_refraction(b, z * galsim.degrees, pressure=80.0, temperature=280.15)
                 for b in bands[w]]) * 206265 for w in WAVE]
        for z in zenith
    ])  # fmt: skip
    seeing = turbulence(rng, 0.12, 0.12)[:, [1]]
    along, across = np.sqrt(seeing**2 + 8 * np.log(2) * rms**2), seeing
    width = np.sqrt(along * across)
    stretch = (along**2 - across**2) / width[:, [1]] ** 2
    flat = np.array([np.std([galsim.dcr.get_refraction(b, 45 * galsim.degrees, pressure=80.0, temperature=280.15)
                             for b in bands[w]]) * 206265 for w in WAVE])  # fmt: skip
    return width, stretch[:, [0, 2]] - stretch[:, [1]], flat


@pytest.mark.parametrize("stretched", [False, True])
def test_dispersion_inside_filters_is_found(stretched):
    """From 20 to 70 degrees of zenith distance blue is drawn out more and more."""
    rng, zenith = np.random.default_rng(5), np.linspace(20, 70, N)
    width, stretch, flat = by_air(rng, zenith)
    seen = replace(seen_of(width, rng, tangent=np.tan(np.radians(zenith))), spread_arcsec=flat)
    if stretched:
        noisy = stretch + rng.normal(0, 0.01, stretch.shape)
        seen = replace(seen, stretch=noisy, stretch_error=np.full(noisy.shape, 0.01))
    best = first(seen)
    assert best.cause == "dispersion"
    assert best.unknowns[0] == pytest.approx(1.0, abs=0.25)


def test_stretch_tells_dispersion_where_lights_stand_equally_high():
    rng, zenith = np.random.default_rng(6), np.full(N, 60.0)
    width, stretch, flat = by_air(rng, zenith)
    seen = replace(seen_of(width, rng, tangent=np.tan(np.radians(zenith))), spread_arcsec=flat)
    rounds = {each.cause: each.score for each in explained(replace(seen))}
    seen = replace(seen, stretch=stretch, stretch_error=np.full(stretch.shape, 0.01))
    scores = {each.cause: each.score for each in explained(seen)}
    assert scores["lens"] - scores["dispersion"] > 50 > rounds["lens"] - rounds["dispersion"]


def test_where_nothing_differs_no_cause_is_better_than_none():
    rng, none = np.random.default_rng(7), 0
    for _ in range(40):
        none += first(seen_of(turbulence(rng)[:, [1, 1, 1]], rng)).cause == "none"
    # any one of six causes may fit a chance slope a little better: each unknown costs ln 48 = 3.9
    assert none >= 34


def test_scores_of_all_causes_are_given_and_sorted():
    rng = np.random.default_rng(8)
    found = explained(seen_of(turbulence(rng), rng))
    assert {each.cause for each in found} == set(CAUSES)
    scores = [each.score for each in found]
    assert scores == sorted(scores)
    assert np.isfinite(scores).all()
