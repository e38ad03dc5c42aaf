"""Grain under stars that were taken off, as strong as around."""

import numpy as np
import pytest
from scipy import ndimage, stats

from fourlight.core import grain
from fourlight.core.grain import even_grain
from fourlight.core.mending import mended
from fourlight.core.starlet import starlet

SIZE = (160, 200)
AWAY = np.hypot(*np.ogrid[-80:80, -100:100])
SPOT, CORE = AWAY < 14, AWAY < 7
NONE, FLAT = np.zeros(SIZE, bool), np.zeros(SIZE, np.float32)
SIGMA = np.full(SIZE, 5.0, np.float32)


def noise(seed, wide=0.0):
    drawn = np.random.default_rng(seed).normal(size=SIZE)
    if wide:
        drawn = ndimage.gaussian_filter(drawn, wide)
    return (drawn / drawn.std()).astype(np.float32)


def sky(seed):
    """What smoothing leaves of a noise of 5: 1 where nothing shines, all of it under a star."""
    left = 0.6 * noise(seed) + 0.8 * noise(seed + 100, 2.0)
    return (100 + np.where(SPOT, 5 * noise(seed + 200), left)).astype(np.float32)


def rough(image, where):
    """Strength of detail of two sizes."""
    fine, next_one = list(starlet(image, 2))[:2]
    return np.array([fine[where].std(), next_one[where].std()])


def even(image, hidden=NONE, spots=SPOT, sigma=SIGMA, doubt=FLAT):
    return even_grain(image, hidden, spots, sigma, doubt)


@pytest.mark.parametrize("hidden", [NONE, CORE])
def test_grain_is_as_strong_as_around(hidden):
    images = [sky(seed) for seed in range(4)]
    before = np.mean([rough(image, SPOT) / rough(image, AWAY > 20) for image in images], axis=0)
    after = np.mean([rough(even(image, hidden), SPOT) / rough(image, AWAY > 20) for image in images], axis=0)
    assert (before > 2.5).all()
    assert (after < 1.5).all()
    assert (after > 0.6).all()
    if hidden.any():
        inner = np.mean(
            [rough(even(image, hidden), AWAY < 5) / rough(image, AWAY > 20) for image in images], axis=0
        )
        assert (inner > 0.4).all()


def test_around_nothing_changes():
    image = sky(1)
    np.testing.assert_array_equal(even(image, CORE)[~SPOT], image[~SPOT])
    np.testing.assert_array_equal(even(image, spots=NONE), image)


def test_a_filament_under_a_star_stays():
    y = np.arange(SIZE[0])[:, None] - 80
    filament = (20 * np.exp(-((y - 5) ** 2) / (2 * 2.5**2)) * np.ones(SIZE)).astype(np.float32)
    image = sky(2) + filament
    along = SPOT & (np.abs(y - 5) <= 1)
    true = (image[along] - 100).mean()
    # filled from around it is nearly gone; what it loses of 20 is 4 sigma of noise smoothed over its width
    assert mended(image, SPOT)[along].mean() - 100 < 0.4 * true
    assert even(image)[along].mean() - 100 > 0.8 * true
    # and none of it shows where there was none
    assert even(sky(2))[along].mean() - 100 == pytest.approx(0, abs=1.0)


def test_what_may_be_an_error_of_the_profile_is_not_kept():
    ring = 20 * np.exp(-((AWAY - 10) ** 2) / 4).astype(np.float32)
    image, on = sky(3) + ring, np.abs(AWAY - 10) < 1
    doubted = even(image, doubt=np.where(SPOT, np.float32(20), np.float32(0)))
    assert doubted[on].mean() - 100 < 0.5 * (even(image)[on].mean() - 100)


def test_a_fit_that_went_astray_gives_no_grain():
    ripples = (60 * np.cos(2.5 * AWAY)).astype(np.float32)
    image = np.where(CORE, 100 + ripples, sky(4)).astype(np.float32)
    inner = rough(even(image, CORE), AWAY < 5)
    assert (inner < rough(sky(4), AWAY > 20)).all()


def test_light_without_noise_stays():
    y, x = np.mgrid[: SIZE[0], : SIZE[1]]
    smooth = (100 + 0.2 * x + 10 * np.sin(y / 20)).astype(np.float32)
    np.testing.assert_allclose(even(smooth, CORE), smooth, atol=1.0)


@pytest.mark.parametrize("shape", [(1, 1), (3, 2), (1, 40), (9, 7)])
@pytest.mark.parametrize("value", [np.nan, 0.0, 7.0])
def test_odd_images(shape, value):
    image, whole = np.full(shape, value, np.float32), np.ones(shape, bool)
    sigma, doubt = np.ones(shape, np.float32), np.zeros(shape, np.float32)
    corner = np.zeros(shape, bool)
    corner[0, 0] = True
    for hidden, spots in (
        (~whole, ~whole),
        (~whole, whole),
        (whole, whole),
        (corner, ~whole),
        (~whole, corner),
    ):
        out = even_grain(image, hidden, spots, sigma, doubt)
        assert np.isfinite(out).all()
        if np.isfinite(value) and not hidden.all():
            np.testing.assert_allclose(out, value, atol=1e-5)


def test_where_all_is_spot_nothing_is_weakened():
    image = sky(5)
    np.testing.assert_array_equal(even(image, spots=np.ones(SIZE, bool)), image)


@pytest.mark.parametrize("first", [256, 432, 512])
def test_parts_of_an_image_are_those_of_the_whole(first):
    """Cut off 256 px before, as pictures are: in a spot wider than that too, whose parts know nothing else."""
    image = np.random.default_rng(8).normal(size=(96, 800)).astype(np.float32)
    spots = np.arange(800)[None, :] + np.zeros((96, 1)) >= 250
    image[~spots] *= 0.2
    none, one = np.zeros_like(image), np.ones_like(image)
    whole, part = (
        even_grain(image[:, cut], spots[:, cut] & False, spots[:, cut], one[:, cut], none[:, cut])
        for cut in (slice(None), slice(first - 256, None))
    )
    np.testing.assert_allclose(part[:, 256:], whole[:, first:], atol=1e-5)


def test_holes_are_filled_and_tell_nothing_of_what_is_usual():
    image = sky(6)
    whole = even(image)
    holed = image.copy()
    holed[20:40, 30:60] = np.nan
    out = even(holed)
    assert np.isfinite(out).all()
    near = SPOT & (np.arange(SIZE[0])[:, None] > 80)
    np.testing.assert_allclose(out[near], whole[near], atol=0.5)


def test_figures_of_the_normal_distribution():
    # scipy.stats: mean of the half-normal distribution, and both tails of the normal one
    assert pytest.approx(stats.halfnorm.mean(), rel=1e-9) == grain.MEAN
    assert 2 * stats.norm.sf(grain.REAL) < 1e-4
    white = np.random.default_rng(7).normal(size=(600, 600)).astype(np.float32)
    for scale, detail in enumerate(list(starlet(white, 3))[:3]):
        noise = np.full(white.shape, grain.NOISE_PER_SCALE[scale], np.float32)
        assert (grain._real(detail, noise, scale) > 0).mean() < 1e-3
