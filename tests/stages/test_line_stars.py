"""When stars are let teach the camera, and when not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fourlight.core.cfa import COLOURS, PLANES
from fourlight.sensor.lightpath import of_light
from fourlight.sky.starspectra import of_colour, star_spectra
from fourlight.stages.line_kinds import LightSet, choose_kinds
from fourlight.stages.line_stars import scatter_of_greens, taught
from fourlight.stages.star_fluxes import StarFluxes
from line_stacks import dual

NOISE = np.array([9.0, 4.0, 5.0])
PATH = dual("generic").seen_by(COLOURS)
TELLING = choose_kinds([LightSet(PATH, NOISE)])
GREENS = np.array([0, 1, 1, 2])


def stars(count, shift=0.0, seed=1, noise=0.01):
    """Stars of single spectra, by a camera that is off by so many standard deviations along each of its first modes."""
    rng = np.random.default_rng(seed)
    spectra, wave = star_spectra(), PATH.grid()
    b_v = rng.uniform(0.45, 1.1, count)
    near = np.flatnonzero(spectra.usual)
    light = np.empty((count, 3))
    for k, colour in enumerate(b_v):
        own = near[np.argsort(np.abs(spectra.b_v[near] - colour))[rng.integers(3)]]
        seen = of_light(PATH, np.interp(wave, spectra.wave_nm, of_colour(colour, own, spectra)))
        light[k] = seen.values + shift * seen.modes[:3].sum(axis=0)
    light *= rng.uniform(0.1, 10, (count, 1)) * 1e4 / light.max()
    error = noise * light
    light += error * rng.standard_normal(light.shape)
    seen = b_v + 0.03 * rng.standard_normal(count)
    ones, sure = np.ones(count), np.ones(count, bool)
    return StarFluxes(
        PLANES, ones, ones, light[:, GREENS], error[:, GREENS], np.zeros((4, 4)), 8 * ones, 0.02 * ones, seen,
        0.03 * ones, np.arange(count), ~sure, sure,
    )  # fmt: skip


def told(fluxes):
    return taught(TELLING, PATH, fluxes, NOISE, 0.0)


def test_stars_that_fit_make_leaks_smaller():
    found = told(stars(120, shift=0.7))
    assert found.facts["used"]
    assert found.facts["chi2"] < 2
    before = found.facts["leak_before"]["oiii"]["halpha"]
    after = found.telling
    assert after.columns == TELLING.columns
    assert not np.allclose(after.matrix, TELLING.matrix)
    # what unmixing costs is told by the matrix that unmixes: the diagonal of (A' C^-1 A)^-1 over 1 / (A' C^-1 A)
    power = after.matrix.T @ (after.matrix / NOISE[:, None])
    assert np.allclose(after.inflation, np.diag(np.linalg.inv(power)) * np.diag(power), rtol=1e-6)
    assert not np.allclose(after.inflation, TELLING.inflation)
    assert (np.sqrt((after.modes**2).sum(axis=0)) <= np.sqrt((TELLING.modes**2).sum(axis=0)) + 1e-9).all()
    assert before > 0.03


def test_light_that_all_stars_miss_in_a_channel_teaches_the_camera_no_more_than_it_is_sure():
    """Apertures that hold 4 % less of red than is thought, told as sure, and told as uncertain by as much."""
    true, some = told(stars(120)), stars(120)
    some.flux[:, 0] *= 0.96
    sure, unsure = (
        told(replace(some, share_covariance=np.diag([error**2, 1e-6, 1e-6, 1e-6]))) for error in (1e-3, 0.04)
    )
    assert sure.facts["used"]
    assert unsure.facts["used"]
    off, less = (np.abs(each.telling.matrix - true.telling.matrix).max() for each in (sure, unsure))
    assert less < 0.75 * off
    known, told_less = (np.sqrt((each.telling.modes**2).sum(axis=0)) for each in (sure, unsure))
    assert (told_less >= known - 1e-9).all()
    assert (told_less > 1.02 * known).any()


@pytest.mark.parametrize("count", [0, 7])
def test_few_stars_teach_nothing(count):
    found = told(stars(count) if count else stars(1).chosen(np.zeros(1, bool)))
    assert found.telling is TELLING
    assert f"{count} clear ones have a colour that tells" in found.facts["reason"]


def test_stars_of_unknown_colour_and_hot_cool_full_or_faint_ones_do_not_count():
    some = stars(40)
    some.b_v[:10], some.b_v[10:20], some.b_v[20:26] = np.nan, -0.1, 1.35
    some.full[26:32], some.alone[32:35] = True, False
    some.flux_error[35:38] *= 20
    found = told(some)
    assert "6 of them full and 3 with others beside them; 2 clear ones" in found.facts["reason"]


def test_another_camera_is_noticed():
    some = stars(120)
    some.flux[:] = some.flux[:, ::-1]
    found = told(some)
    assert not found.facts["used"]
    assert found.telling is TELLING
    reason = found.facts["reason"]
    assert "see that camera and filter are named rightly" in reason
    assert " fit camera and filter, and" not in reason.replace("does not fit", "").replace("only", ""), (
        "no word of a fit"
    )
    assert "does not fit camera and filter" in reason or "the curves would have to be off" in reason


def scattered(some, part=0.06, seed=3):
    """The same in planes that hold some per cent more or less of each star, as those of narrow stars do."""
    some.flux[:] *= 1 + part * np.random.default_rng(seed).standard_normal(some.flux.shape)
    return some


def test_what_greens_disagree_about_is_counted_as_an_error_of_every_plane():
    some = scattered(stars(200, shift=0.7, noise=0.005))
    assert scatter_of_greens(some) == pytest.approx(0.06, rel=0.2)
    found = told(some)
    assert found.facts["used"]
    assert 0.7 < found.facts["chi2"] < 1.4
    assert found.facts["own_scatter"] == pytest.approx(0.06, rel=0.2)


def test_noise_alone_is_no_scatter_of_planes():
    some = stars(200, noise=0.01)
    some.flux[:] *= 1 + 0.01 * np.random.default_rng(5).standard_normal(some.flux.shape)
    assert scatter_of_greens(some) < 0.005
    assert scatter_of_greens(some.chosen(np.arange(5))) == 0.0


def test_another_camera_is_noticed_behind_scatter_too():
    some = scattered(stars(200))
    some.flux[:] = some.flux[:, ::-1]
    assert not told(some).facts["used"]
