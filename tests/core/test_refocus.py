"""Stars exchanged for narrower ones."""

import numpy as np
import pytest
from scipy import fft

from finish_scenes import moffat
from fourlight.core import refocus
from fourlight.core.fieldprofile import FieldProfile
from fourlight.core.profilerest import no_rest

SIDE = 128


def profile(width, wings=1 / 3.5, size=(128, 128)):
    a = 1 / (0.5 * width) ** 2
    return FieldProfile(np.array([[a], [0.0], [a]]), wings, no_rest(8)[0], size, 10)


def addition(width, target_px, finest):
    stars = refocus.spectrum(profile(width), 64, 64, SIDE)
    return refocus.added(stars, refocus.Target(target_px, 1 / 3.5).spectrum(SIDE), finest, width)


def test_a_star_becomes_the_target_and_keeps_its_light():
    star = (1e4 * moffat(64, 64, 4.0, (128, 128))).astype(np.float32)
    target = refocus.Target(3.0, 1 / 3.5)
    by = refocus.exchange(refocus.spectrum(profile(4.0), 64, 64, 128), target.spectrum(128), 1e-4)
    out = refocus.filtered(star, by)
    wanted = 1e4 * moffat(64, 64, 3.0, (128, 128))
    # the regularisation still takes the last hundredth of the peak
    np.testing.assert_allclose(out, wanted, atol=0.015 * wanted.max())
    assert out.sum() == pytest.approx(star.sum(), rel=1e-4)
    assert out.min() > -0.002 * wanted.max()


def test_gain_is_bounded_by_the_ridge():
    by = refocus.exchange(
        refocus.spectrum(profile(5.0), 64, 64, 128), refocus.Target(2.5, 1 / 3.5).spectrum(128), 0.01
    )
    assert np.abs(by).max() <= 1.01 / (2 * np.sqrt(0.01)) + 1e-3
    assert np.abs(by[0, 0]) == pytest.approx(1, abs=1e-5)


@pytest.mark.parametrize("finest", [0.2, 0.27, 1 / 3])
@pytest.mark.parametrize("width", [2.4, 4.0, 6.0])
def test_nothing_is_added_beyond_what_is_confirmed(width, finest):
    """Neither light in all, nor a checkerboard, nor anything far from where the light stands."""
    by = addition(width, 0.7 * width, finest)
    frequency = np.hypot(fft.fftfreq(SIDE)[:, None], fft.rfftfreq(SIDE))
    assert np.abs(by[0, 0]) < 1e-5
    assert np.abs(by[frequency > 1.8 * finest]).max(initial=0) < 0.05
    assert np.abs(by[frequency > 0.6]).max() < 0.02
    point = np.zeros((SIDE, SIDE), np.float32)
    point[64, 64] = 1.0
    spread = refocus.filtered(point, by)
    apart = np.hypot(*(np.mgrid[:SIDE, :SIDE] - 64))
    assert np.abs(spread[apart > refocus.FAR * width + 1]).max() < 1e-6


@pytest.mark.parametrize("finest", [0.25, 1 / 3])
@pytest.mark.parametrize("width", [3.0, 4.0, 6.0])
def test_stars_become_narrower_without_rings(width, finest):
    ring = 3e-4
    target = refocus.narrowest([profile(width)] * 3, finest, [ring] * 3)
    if target is None:
        assert width * finest < 0.9  # wide stars and fine detail always have one
        return
    assert refocus.LEAST_PX <= target < width
    star = moffat(64, 64, width, (128, 128)).astype(np.float32)
    out = star + refocus.filtered(star, addition(width, target, finest))
    line = out[64, 64:100] / out.max()
    assert out[64, 64] > 1.05 * star[64, 64]
    # what is told of rings is so: the row through the star falls ever more slowly beyond its width, as stars do
    assert np.diff(line, 2)[round(width) :].min() > -2 * ring
    assert out.min() > -ring * out.max()
    assert out.sum() == pytest.approx(star.sum(), rel=1e-3)


def test_a_ring_is_seen():
    whole = np.roll(moffat(64, 64, 4.0, (128, 128)), (-64, -64), (0, 1))
    y, x = (np.minimum(np.arange(128), 128 - np.arange(128)),) * 2
    apart = np.hypot(y[:, None], x)
    assert refocus.ring_depth(whole, 4.0) < 1e-4 * whole.max()
    for depth in (-0.01, 0.01):
        rung = whole + depth * whole.max() * np.exp(-((apart - 10) ** 2) / 2)
        assert 0.003 < refocus.ring_depth(rung, 4.0) / whole.max() < 0.012


def test_nothing_worth_doing_has_no_target():
    assert refocus.narrowest([profile(2.0)] * 3, 1 / 3, [1e-3] * 3) is None
    # detail that is confirmed is no finer than the stars
    assert refocus.narrowest([profile(4.0)] * 3, 0.08, [1e-3] * 3) is None
    assert refocus.narrowest([profile(4.0)] * 3, 1 / 3, [0.0] * 3) is None


def test_spectrum_of_a_star_is_that_of_its_picture():
    wide = np.zeros((128, 128))
    offsets = np.arange(-63, 64)
    wide[np.ix_(offsets % 128, offsets % 128)] = moffat(63, 63, 3.0, (127, 127))
    wide /= wide.sum()
    np.testing.assert_allclose(refocus.spectrum(profile(3.0), 64, 64, 128), fft.rfft2(wide), atol=2e-3)
