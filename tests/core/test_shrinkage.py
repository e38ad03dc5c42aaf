"""The starlet and the smoothing that halves must confirm."""

import numpy as np
import pytest
from scipy import ndimage

from fourlight.core import gaps, shrinkage, starlet


def noise_pair(shape=(400, 400), seed=2):
    rng = np.random.default_rng(seed)
    return tuple((rng.normal(size=shape) * np.sqrt(2)).astype(np.float32) for _ in range(2))


@pytest.mark.parametrize("shape", [(64, 48), (7, 5), (1, 9), (33, 1), (1, 1)])
def test_starlet_sums_to_the_image(shape):
    image = np.random.default_rng(1).normal(size=shape).astype(np.float32)
    np.testing.assert_allclose(sum(starlet.starlet(image, 4)), image, atol=1e-5)


def test_smoothing_step_equals_scipy_with_holes():
    image = np.random.default_rng(3).normal(size=(61, 47)).astype(np.float32)
    for scale in range(3):
        kernel = np.zeros(4 * 2**scale + 1)
        kernel[:: 2**scale] = np.array([1, 4, 6, 4, 1]) / 16
        expected = ndimage.correlate1d(
            ndimage.correlate1d(image, kernel, axis=1, mode="mirror"), kernel, axis=0, mode="mirror"
        )
        np.testing.assert_allclose(starlet.smooth_step(image, scale), expected, atol=2e-6)


def test_noise_per_scale_is_that_of_the_b3_spline():
    # Starck & Murtagh, Astronomical Image and Data Analysis, sigma_j of the B3 starlet (from memory)
    printed = (0.889, 0.200, 0.086, 0.041, 0.020, 0.010, 0.005)
    np.testing.assert_allclose(shrinkage.NOISE_PER_SCALE, printed, atol=0.002)
    impulse = np.zeros((513, 513), dtype=np.float32)
    impulse[256, 256] = 1
    exact = [float(np.sqrt((part.astype(float) ** 2).sum())) for part in starlet.starlet(impulse, 6)][:6]
    np.testing.assert_allclose(shrinkage.NOISE_PER_SCALE[:6], exact, atol=5e-5)


def test_pure_noise_is_nearly_gone():
    # design figure: 5 to 7 per cent of pure noise is left, the smooth rest included
    first, second = noise_pair()
    mean = (first + second) / 2
    left = shrinkage.confirmed(mean, (first, second), None, strength=1.0, scales=5).std() / mean.std()
    assert left < 0.07


def test_known_noise_does_the_same_without_halves():
    first, second = noise_pair(seed=4)
    mean = (first + second) / 2
    out = shrinkage.confirmed(mean, None, np.full_like(mean, mean.var()), strength=1.0, scales=5)
    assert out.std() / mean.std() < 0.07


def test_faint_cloud_gains_and_stars_keep_their_light():
    # design figures: +11 to +17 dB on faint nebula, stars -0.9 to +0.6 dB
    rng = np.random.default_rng(6)
    y, x = np.mgrid[:300, :400]
    cloud = (
        2.0
        * np.exp(-(((y - 150) / 60) ** 2 + ((x - 200) / 90) ** 2))
        * (1 + 0.5 * np.sin(x / 17) * np.sin(y / 23))
    )
    star = 400 * np.exp(-((y - 60) ** 2 + (x - 320) ** 2) / (2 * 1.3**2))
    truth = cloud + star
    halves = tuple((truth + rng.normal(size=truth.shape) * np.sqrt(2)).astype(np.float32) for _ in range(2))
    mean = (halves[0] + halves[1]) / 2
    out = shrinkage.confirmed(mean, halves, None, strength=1.0, scales=5)

    def gain_db(where):
        return 10 * np.log10(((mean - truth)[where] ** 2).mean() / ((out - truth)[where] ** 2).mean())

    assert gain_db((cloud > 0.3) & (star < 0.01)) > 11
    assert gain_db(star > 40) > -0.9
    disc = (y - 60) ** 2 + (x - 320) ** 2 < 36
    assert out[disc].sum() == pytest.approx(mean[disc].sum(), rel=0.003)


def test_detail_in_one_half_only_is_taken_away():
    first, second = (half * 0.01 for half in noise_pair((120, 120)))
    first[60, 60] += 100
    out = shrinkage.confirmed((first + second) / 2, (first, second), None, strength=1.0, scales=5)
    assert out[60, 60] < 2


def test_noise_where_one_half_stands_in_for_the_other_goes_like_the_rest():
    first, second = noise_pair(seed=8)
    mean, variance = (first + second) / 2, np.ones_like(first)
    alone = (slice(None), slice(380, None))
    # one frame covers this strip: twice the variance, and no second half
    mean[alone], variance[alone] = first[alone], 2
    pair = tuple(np.where(variance > 1, mean, half) for half in (first, second))
    out = shrinkage.confirmed(mean, pair, variance, strength=1.0, scales=5)
    assert out[alone].std() / mean[alone].std() < 0.1
    assert out[:, :380].std() / mean[:, :380].std() < 0.08


def test_strength_zero_returns_the_image_and_strength_is_linear():
    first, second = noise_pair((50, 60))
    mean = (first + second) / 2
    none, half, full = (
        shrinkage.confirmed(mean, (first, second), None, strength=s, scales=3) for s in (0, 0.5, 1)
    )
    np.testing.assert_array_equal(none, mean)
    np.testing.assert_allclose(half, (none + full) / 2, atol=1e-5)


def test_gaps_are_filled_from_their_surroundings():
    image = np.full((37, 41), 5.0, dtype=np.float32)
    image[10:20, 5:30] = np.nan
    image[0, 0] = np.nan
    np.testing.assert_allclose(gaps.fill_gaps(image), 5.0)
    assert (gaps.fill_gaps(np.full((5, 6), np.nan, dtype=np.float32)) == 0).all()
    assert gaps.fill_gaps(np.full((1, 1), np.nan, dtype=np.float32)).shape == (1, 1)


def seen(sigma_px, flux, shape=(160, 160)):
    """A star of Gaussian profile in the middle."""
    y, x = np.mgrid[: shape[0], : shape[1]]
    return flux / (2 * np.pi * sigma_px**2) * np.exp(-((y - 80) ** 2 + (x - 80) ** 2) / (2 * sigma_px**2))


def test_seeing_that_changed_between_the_halves_is_no_noise():
    # FWHM 2.6 and 4 px, one night's good and bad hour: half differences beside the star are 30 sigma and more
    rng = np.random.default_rng(12)
    truth = [seen(1.1, 6e4), seen(1.7, 6e4)]
    halves = tuple((t + rng.normal(size=t.shape) * np.sqrt(2)).astype(np.float32) for t in truth)
    mean = (halves[0] + halves[1]) / 2
    out = shrinkage.confirmed(mean, halves, np.ones_like(mean), strength=1.0, scales=5)
    y, x = np.mgrid[:160, :160]
    radius = np.hypot(y - 80, x - 80)
    error = out - (truth[0] + truth[1]) / 2
    # no rings or holes where the star's light is: errors stay those of noise, nearly none beyond its light
    assert np.abs(error[radius < 14]).max() < 5
    assert error[(radius > 30) & (radius < 70)].std() < 0.2


def test_where_it_is_lit_the_noise_is_the_expected_one_once():
    """The halves differ by ten times their noise on one side, and hold the same numbers on a part of it."""
    rng = np.random.default_rng(5)
    cloud = 4 * np.sin(np.arange(256) / 1.5)[None, :] * np.ones((256, 1))
    noise, extra = rng.normal(size=(256, 256)), 10 * rng.normal(size=(256, 256))
    lit = np.zeros((256, 256), np.float32)
    lit[:, 128:] = 1
    first, second = (cloud + sign * (noise + lit * extra) for sign in (1, -1))
    second[100:150, 180:230] = first[100:150, 180:230] = (cloud + noise)[100:150, 180:230]
    pair = (first.astype(np.float32), second.astype(np.float32))
    image = (cloud + rng.normal(size=cloud.shape)).astype(np.float32)
    even = np.ones_like(image)

    def left(mask):
        out = shrinkage.confirmed(image, pair, even, strength=1.0, scales=4, lit=mask)
        return np.sqrt(np.mean((out - cloud)[20:-20, 150:236] ** 2)), out

    (without, _), (with_lit, out) = left(None), left(lit)
    assert without > 2
    assert with_lit < 0.9
    assert np.sqrt(np.mean((out - cloud)[104:146, 184:226] ** 2)) < 0.92
