"""How fine detail is confirmed, on noise, on painted stars, and beside patterns of the samples' places."""

import numpy as np
import pytest

from finish_scenes import moffat, paint
from fourlight.core import refocus
from fourlight.core.fieldprofile import FieldProfile
from fourlight.core.profilerest import no_rest
from fourlight.stages.confirmed_band import finest_confirmed


def stars_of(fwhm_px, flux, noise, size=(300, 300), seed=1):
    """Light of a grid of stars, and two noisy halves."""
    rng = np.random.default_rng(seed)
    light = np.zeros(size)
    for y in range(25, size[0] - 20, 25):
        for x in range(25, size[1] - 20, 25):
            light += flux * moffat(x + rng.uniform(-1, 1), y + rng.uniform(-1, 1), fwhm_px, size, over=1)
    halves = tuple((light + rng.normal(0, noise, size)).astype(np.float32) for _ in "ab")
    return light, halves


def variance_of(noise, size=(300, 300)):
    return np.full(size, noise**2 / 2, np.float32)


def test_noise_confirms_nothing_and_has_no_target():
    """Wanted: targets taken of pure noise in at most one of twenty draws."""
    a = 1 / 2.0**2
    profile = FieldProfile(np.array([[a], [0.0], [a]]), 0.3, no_rest(8)[0], (256, 256), 10)
    rng = np.random.default_rng(5)
    passed = targets = 0
    for _ in range(40):
        pair = tuple(rng.normal(size=(256, 256)).astype(np.float32) for _ in "ab")
        finest = finest_confirmed(pair, np.full((256, 256), 0.5, np.float32), np.inf)
        passed += np.isfinite(finest)
        targets += np.isfinite(finest) and refocus.narrowest([profile] * 3, finest, [0.01] * 3) is not None
    assert targets == 0
    assert passed <= 3


def test_it_ends_where_stars_fall_to_their_noise():
    """Against the ring correlation of the same halves by numpy, and the white noise that was painted."""
    light, pair = stars_of(4.0, 3000.0, 2.0)
    found = finest_confirmed(pair, variance_of(2.0), np.inf)
    frequency = np.hypot(*np.meshgrid(*[np.fft.fftfreq(300)] * 2))
    ring = (frequency / 0.02).astype(int).ravel()
    power = np.bincount(ring, (np.abs(np.fft.fft2(light)) ** 2).ravel()) / np.bincount(ring)
    correlation = power / (power + 300 * 300 * 4.0)
    expected = 0.02 * (np.flatnonzero(correlation < 1 / 7)[0] + 0.5)
    assert found == pytest.approx(expected, abs=0.03)


def test_more_light_confirms_finer_detail_up_to_three_pixels():
    found = [
        finest_confirmed(stars_of(4.0, flux, 2.0)[1], variance_of(2.0), np.inf) for flux in (300, 3000, 3e5)
    ]
    assert found == sorted(found)
    assert found[0] < 0.22 < found[1] < found[2] <= 1 / 3 + 1e-9


@pytest.mark.parametrize("sign", [1, -1])
def test_patterns_of_the_samples_confirm_nothing(sign):
    """A checkerboard that halves show alike, or one as the other's negative, is no detail."""
    _, pair = stars_of(4.0, 3000.0, 2.0)
    plain = finest_confirmed(pair, variance_of(2.0), np.inf)
    board = (10 * (-1.0) ** np.add.outer(np.arange(300), np.arange(300))).astype(np.float32)
    found = finest_confirmed((pair[0] + board, pair[1] + sign * board), variance_of(2.0), np.inf)
    assert found == pytest.approx(plain, abs=0.01)


def test_full_pixels_have_no_say():
    scene = paint(300, 300, count=30, fwhm_px=4.0, flux=(1e3, 1e5))
    pair = scene.halves[0]["G"], scene.halves[1]["G"]
    plain = finest_confirmed(pair, scene.variances["G"], np.inf)
    rng, spoilt = np.random.default_rng(3), tuple(half.copy() for half in pair)
    for y, x in rng.integers(20, 280, (6, 2)):
        for half in spoilt:
            half[y - 5 : y + 5, x - 5 : x + 5] = 1e6
    assert finest_confirmed(spoilt, scene.variances["G"], 5e5) == pytest.approx(plain, abs=0.03)


def test_odd_halves():
    nothing = np.full((200, 200), np.nan, np.float32)
    assert np.isnan(finest_confirmed((nothing, nothing), nothing, np.inf))
    small = np.ones((8, 300), np.float32)
    assert np.isnan(finest_confirmed((small, small), small, np.inf))
    assert np.isnan(finest_confirmed((small * 0, small * 0), small, np.inf))
    same = np.ones((64, 64), np.float32)
    assert np.isnan(finest_confirmed((same, same), same, np.inf))
