"""What stars say of a camera: a line through points with errors in both, and cameras that are drawn."""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from fourlight.core.leakage import systematic
from fourlight.core.starmixing import StarTable, learn
from fourlight.core.unmix import gain_of

COLOUR = np.linspace(-1.0, 2.0, 61)
VARIANCE = np.array([10.0, 4.0, 5.0])


def straight_lines():
    """Channels 1 and a + b x of every brightness, a and b hardly known before."""
    values = np.column_stack([np.ones_like(COLOUR), 1.0 + COLOUR])
    modes = np.zeros((len(COLOUR), 2, 2))
    modes[:, 0, 1], modes[:, 1, 1] = 30.0, 30.0 * COLOUR
    return StarTable(COLOUR, values, modes)


def likely_of(seen, error, usual, grid=COLOUR):
    """Bayes' rule on the colours of a table."""
    found = usual * np.exp(-0.5 * ((seen[:, None] - grid) / error) ** 2)
    return found / found.sum(axis=1, keepdims=True)


def test_a_line_with_errors_in_both_is_that_of_scipy():
    """scipy.odr (Boggs & Rogers 1990) on ratios, which takes all colours for as likely; a plain fit is off by far."""
    with (
        warnings.catch_warnings()
    ):  # the module is on its way out of scipy, and still the reference of such fits
        warnings.simplefilter("ignore")
        odr = pytest.importorskip("scipy.odr")
    rng = np.random.default_rng(2)
    count, error = 400, 0.2
    true = rng.uniform(-0.5, 1.5, count)
    seen = true + error * rng.standard_normal(count)
    ratio = 0.7 + 1.4 * true + 0.05 * rng.standard_normal(count)
    flux = np.column_stack([np.ones(count), ratio])
    errors = np.column_stack([np.full(count, 1e-6), np.full(count, 0.05)])
    stars = straight_lines()
    there = ((COLOUR > -0.51) & (COLOUR < 1.51)).astype(float)
    found = learn(flux, errors, likely_of(seen, error, there), stars)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        data = odr.RealData(seen, ratio, sx=error, sy=0.05)
        fit = odr.ODR(data, odr.Model(lambda beta, x: beta[0] + beta[1] * x), beta0=[1.0, 1.0]).run()
    ours = 1.0 + 30.0 * found.shift
    sigma = 30.0 * np.sqrt((found.root**2).sum(axis=0))
    assert (np.abs(ours - fit.beta) < 1.5 * sigma).all()
    assert (np.abs(ours - [0.7, 1.4]) < 3 * sigma).all()
    assert (sigma < 1.1 * np.sqrt(np.diag(fit.cov_beta))).all(), (
        "more is known than that all colours are as likely"
    )
    plain = np.polyfit(seen, ratio, 1)[0]
    assert plain < 1.4 - 5 * sigma[1] < ours[1]
    assert found.chi2 == pytest.approx(1.0, abs=0.15)


def test_stars_that_are_chosen_by_what_is_seen_do_not_bend_the_line():
    """Of colours around 0.5 those are taken that are seen redder than 0.5: on average they are not as red."""
    rng = np.random.default_rng(3)
    count, error = 20_000, 0.2
    true = 0.5 + 0.3 * rng.standard_normal(count)
    seen = true + error * rng.standard_normal(count)
    chosen = (seen > 0.5) & (seen < 1.0)
    ratio = 0.7 + 1.4 * true + 0.05 * rng.standard_normal(count)
    flux = np.column_stack([np.ones(count), ratio])[chosen]
    errors = np.tile([1e-6, 0.05], (len(flux), 1))
    stars = straight_lines()
    usual = np.exp(-0.5 * ((COLOUR - 0.5) / 0.3) ** 2)
    likely = likely_of(seen[chosen], error, usual)
    found = learn(flux, errors, likely, stars)
    sigma = 30.0 * np.sqrt((found.root**2).sum(axis=0))
    assert (np.abs(30.0 * found.shift + 1.0 - [0.7, 1.4]) < [3 * sigma[0], 3 * sigma[1]]).all()
    assert sigma[1] < 0.03
    assert found.chi2 == pytest.approx(1.0, abs=0.1)


def test_a_spread_adds_its_variance():
    stars = straight_lines()
    likely = likely_of(np.array([0.5]), 0.2, np.ones(len(COLOUR)))
    wider = stars.spread(likely, 0.15)[0]
    assert wider.sum() == pytest.approx(1.0)
    assert wider @ (COLOUR - 0.5) ** 2 == pytest.approx(0.2**2 + 0.15**2, rel=0.01)


def camera():
    """Two bands seen by three channels, each entry known to 10 %; stars hold them in a ratio that follows colour."""
    matrix = np.array([[0.96, 0.06], [0.19, 0.94], [0.10, 0.47]])
    modes = np.zeros((6, 3, 2))
    for k, place in enumerate(np.ndindex(3, 2)):
        modes[(k, *place)] = 0.1 * matrix[place]
    colour = np.linspace(0.0, 2.0, 81)
    bands = np.column_stack([np.ones_like(colour), np.exp(-0.7 * (colour - 0.5))])
    return matrix, modes, StarTable(colour, bands @ matrix.T, np.einsum("gk,mck->gmc", bands, modes))


def seen_as(stars, colour):
    """What is likely where colours from 0.4 to 1.6 are as many as each other."""
    usual = ((stars.colour > 0.39) & (stars.colour < 1.61)).astype(float)
    return likely_of(colour, 0.05, usual, stars.colour)


def seen_stars(stars, z, count, rng):
    colour = rng.uniform(0.4, 1.6, count)
    values, modes = stars.at(colour)
    light = (values + np.einsum("nmc,m->nc", modes, z)) * rng.uniform(50, 5000, count)[:, None]
    error = np.sqrt(light * 5 + 100)
    flux = light + error * rng.standard_normal(light.shape)
    return flux, error, colour + 0.05 * rng.standard_normal(count)


def test_what_is_told_of_drawn_cameras_holds():
    """60 cameras: modes scatter around the true ones by what is claimed, and leaks shrink as stars get more."""
    matrix, modes, stars = camera()
    pulls, claims, leaks = [], [], {0: [], 30: [], 300: []}
    for seed in range(60):
        rng = np.random.default_rng(seed)
        z = rng.standard_normal(6)
        true = matrix + np.tensordot(z, modes, axes=1)
        for count in leaks:
            guess = matrix
            if count:
                flux, error, colour = seen_stars(stars, z, count, rng)
                found = learn(flux, error, seen_as(stars, colour), stars)
                guess, left = found.matrix(matrix, modes)
                if count == 300:
                    pulls.append(np.linalg.solve(found.root.T, z - found.shift))
                    claims.append(systematic(guess, VARIANCE, left)[1, 0])
            leaks[count].append((gain_of(guess, VARIANCE) @ true)[1, 0])
    pulls = np.array(pulls)
    # 360 numbers: their scatter is known to 4 %, their mean to 0.05
    assert pulls.std() == pytest.approx(1.0, abs=0.12)
    assert abs(pulls.mean()) < 0.2
    rms = {count: np.sqrt(np.mean(np.square(each))) for count, each in leaks.items()}
    assert rms[300] < 0.8 * rms[30] < 0.64 * rms[0]
    assert rms[300] == pytest.approx(np.mean(claims), rel=0.25), "rms of 60 is known to 9 %"


def test_what_stars_cannot_tell_stays_as_it_was():
    """Red at [OIII] is 6 % of red's light: a tenth of that is below the errors of the others (own prototype)."""
    matrix, modes, stars = camera()
    rng = np.random.default_rng(7)
    flux, error, colour = seen_stars(stars, np.zeros(6), 300, rng)
    found = learn(flux, error, seen_as(stars, colour), stars)
    after = np.sqrt((found.matrix(matrix, modes)[1] ** 2).sum(axis=0)) / (0.1 * matrix)
    assert after[0, 1] > 0.8
    assert after[1, 0] < 0.75


def test_stars_that_are_none_are_left_out():
    matrix, modes, stars = camera()
    rng = np.random.default_rng(3)
    flux, error, colour = seen_stars(stars, np.zeros(6), 200, rng)
    sound = learn(flux, error, seen_as(stars, colour), stars)
    flux[:10, 2] *= 3.0  # what is blue is no star of its colour
    flux[10, 0] = np.nan
    colour[11] = np.nan
    flux[12] *= -1.0
    found = learn(flux, error, seen_as(stars, colour), stars)
    assert found.used[:10].sum() <= 2, "a faint one may pass for a star"
    assert not found.used[10:13].any()
    assert found.used[13:].mean() > 0.97
    moved = found.matrix(matrix, modes)[0] - sound.matrix(matrix, modes)[0]
    assert np.abs(moved / matrix).max() < 0.05


def test_no_star_leaves_what_was_known():
    matrix, modes, stars = camera()
    none = np.zeros((0, 3))
    found = learn(none, none, np.zeros((0, len(stars.colour))), stars)
    np.testing.assert_array_equal(found.shift, 0.0)
    np.testing.assert_allclose(found.matrix(matrix, modes)[1], modes)
