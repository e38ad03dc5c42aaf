"""Cores of full stars: their light stays, their own flanks tell its colour."""

import numpy as np
import pytest
from scipy import ndimage

from fourlight.stages.display import Field
from fourlight.stages.full_cores import repair_cores


def test_full_cores_have_one_colour_though_single_pixels_fall_below_the_full_level():
    """A blue star whose red is uneven about the level of full samples: mended pixel by pixel it would be chequered."""
    y, x = np.mgrid[:40, :40]
    light = 400 * np.exp(-((x - 20.0) ** 2 + (y - 20.0) ** 2) / (2 * 3.0**2))
    uneven = np.where((x + y) % 2 == 0, 1.0, 0.75)
    full = 100.0
    red, green, blue = (np.minimum(share * light, full) for share in (0.4, 0.7, 1.0))
    image = [(plane * np.where(light > 90, uneven, 1)).astype(np.float32) for plane in (red, green, blue)]
    field = Field(np.array([20.0]), np.array([20.0]), 3.0, np.array([True]), np.ones(1))
    repair_cores(image, np.full((1, 3), full), np.ones(3), field)
    core = np.hypot(x - 20, y - 20) < 6
    hue = (image[0] / image[2])[core]
    assert hue.max() / hue.min() < 1.3


def mended(image):
    """Three channels, balanced, of which 100, 200 and 150 is full."""
    factors = np.array([1.0, 2.0, 1.5])
    star = Field(np.array([2.0]), np.array([2.0]), 3.0, np.array([True]), np.ones(1))
    image = [plane.astype(np.float32) for plane in image]
    repair_cores(image, np.full((1, 3), 100.0), factors, star)
    return image


def blue(shape=(12, 12)):
    """Light as blue as 1 : 2 : 4 all over."""
    return [np.full(shape, level, np.float64) for level in (10.0, 20.0, 40.0)]


@pytest.mark.parametrize("row", [0, 1, 5, 11])
def test_a_full_core_takes_the_colour_around_it_also_at_the_edge_of_the_picture(row):
    image = blue()
    for plane, full in zip(image, (100.0, 200.0, 150.0), strict=True):
        plane[row, 4:7] = full
    red, green, light = (plane[row, 4:7] for plane in mended(image))
    np.testing.assert_allclose(green / red, 2.0, rtol=0.01)
    np.testing.assert_allclose(light / red, 4.0, rtol=0.01)
    np.testing.assert_allclose(red + green + light, 450.0, rtol=0.01)


def test_a_pixel_between_full_ones_is_mended_with_them_and_one_beside_them_too():
    image = blue()
    for plane, full, near in zip(image, (100.0, 200.0, 150.0), (60.0, 120.0, 90.0), strict=True):
        plane[3:8, 3:8] = full
        plane[5, 5] = plane[2, 5] = near
    red, _, light = mended(image)
    assert light[5, 5] / red[5, 5] == pytest.approx(4.0, rel=0.01)
    assert light[2, 5] / red[2, 5] == pytest.approx(4.0, rel=0.01)


@pytest.mark.parametrize(("fwhm_px", "spread"), [(2.0, 3), (3.0, 3), (4.0, 5)])
def test_a_full_core_takes_no_colour_of_flanks_over_which_full_samples_are_spread(fwhm_px, spread):
    """A neutral star on a sensor that counts half as much red: its green is full first, and spread by the stack."""
    y, x = np.mgrid[:61, :61] - 30.0
    light = 20 * np.exp(-4 * np.log(2) * (x**2 + y**2) / fwhm_px**2) + 0.2 / (1 + (x**2 + y**2) / fwhm_px**2)
    shares, full = np.array([0.5, 1.0, 0.54]), 1.0
    image = [
        (ndimage.uniform_filter(np.minimum(share * light, full), spread) / share).astype(np.float32)
        for share in shares
    ]
    field = Field(np.array([30.0]), np.array([30.0]), fwhm_px, np.array([True]), np.ones(1))
    repair_cores(image, np.full((1, 3), full), 1 / shares, field)
    core = np.hypot(x, y) < fwhm_px
    for plane in (image[0], image[2]):
        np.testing.assert_allclose((plane / image[1])[core], 1.0, atol=0.06)


def star(shape, fwhm_px, peak, right=0, exponent=3.0):
    """A star in the middle or to the right of it: Moffat's profile (1969, A&A 3, 455, from memory)."""
    y, x = (axis - length // 2 for axis, length in zip(np.indices(shape), shape, strict=True))
    wide = (fwhm_px / 2) ** 2 / (2 ** (1 / exponent) - 1)
    return peak * (1 + ((x - right) ** 2 + y**2) / wide) ** -exponent


def repaired(image, fwhm_px):
    """Three channels of which 1 is full, with one star."""
    field = Field(np.array([0.0]), np.array([0.0]), fwhm_px, np.array([True]), np.ones(1))
    image = [np.minimum(plane, 1.0).astype(np.float32) for plane in image]
    before = [plane.copy() for plane in image]
    repair_cores(image, np.ones((1, 3)), np.ones(3), field)
    return before, image


def test_a_full_star_that_fills_the_picture_stays_as_it_is():
    before, image = repaired([star((21, 21), 8.0, share) for share in (4.0, 3.0, 2.0)], 8.0)
    np.testing.assert_array_equal(image, before)


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("fwhm_px", [2.0, 3.0, 4.0])
def test_full_cores_keep_their_light_in_noise(fwhm_px, seed):
    """A star of 1.2 times full, noise of 3 % of full: the rim falls below the sky here and there."""
    random = np.random.default_rng(seed)
    light = np.minimum(star((61, 61), fwhm_px, 1.2), 1.0)
    before, image = repaired([light + random.normal(0, 0.03, light.shape) for _ in range(3)], fwhm_px)
    changed = (np.array(image) != np.array(before)).any(axis=0)
    assert changed.sum() >= 9
    np.testing.assert_allclose(np.sum(image, axis=0), np.sum(before, axis=0), atol=1e-5)


def red_over_blue(image, fwhm_px, right=0):
    """In the core of a star in the middle or to the right of it."""
    y, x = (
        axis - length // 2 for axis, length in zip(np.indices(image[0].shape), image[0].shape, strict=True)
    )
    core = np.hypot(y, x - right) < 0.7 * fwhm_px
    return (image[0] / image[2])[core]


EXPONENTS = pytest.mark.parametrize("exponent", [2.5, 3.0, 4.0])
"""Of profiles; 2.5 to 4 is what the seeing leaves (common practice, no source)."""


@EXPONENTS
@pytest.mark.parametrize("fwhm_px", [2.0, 3.0, 5.0])
def test_a_full_white_star_on_a_red_nebula_is_white_and_the_nebula_beside_it_red(fwhm_px, exponent):
    light = star((81, 81), fwhm_px, 4.0, exponent=exponent)
    before, image = repaired([light + nebula for nebula in (0.03, 0.0, 0.0)], fwhm_px)
    np.testing.assert_allclose(red_over_blue(image, fwhm_px), 1.0, atol=0.06)
    changed = (np.array(image) != np.array(before)).any(axis=0)
    rim = changed & (light < 0.1)
    assert rim.sum() >= 8
    np.testing.assert_allclose((image[0] - image[2])[rim], 0.03, atol=0.01)


@EXPONENTS
def test_a_full_blue_star_takes_no_colour_of_a_red_neighbour(exponent):
    """Of 20 % of full, three widths away; and the same without it, which is what the star's own flank tells."""
    own, other = (star((81, 81), 3.0, peak, right, exponent) for peak, right in ((4.0, 0), (0.2, 9)))
    shares = ((0.6, 1.0), (0.8, 0.6), (1.0, 0.3))
    _, alone = repaired([blue * own for blue, _ in shares], 3.0)
    np.testing.assert_allclose(red_over_blue(alone, 3.0), 0.6, rtol=0.02)
    _, image = repaired([blue * own + red * other for blue, red in shares], 3.0)
    np.testing.assert_allclose(red_over_blue(image, 3.0), 0.6, rtol=0.12)


@EXPONENTS
def test_full_stars_that_touch_keep_their_own_colours(exponent):
    shape = (81, 81)
    one, other = star(shape, 3.0, 4.0, 0, exponent), star(shape, 3.0, 4.0, 11, exponent)
    _, image = repaired([blue * one + red * other for blue, red in ((0.6, 1.0), (0.8, 0.8), (1.0, 0.6))], 3.0)
    np.testing.assert_allclose(red_over_blue(image, 3.0), 0.6, rtol=0.12)
    np.testing.assert_allclose(red_over_blue(image, 3.0, 11), 1 / 0.6, rtol=0.12)


@pytest.mark.parametrize(
    ("noise", "most", "scatter"),
    [
        ((0.01, 0.01, 0.01), 0.1, 0.25),
        ((0.03, 0.01, 0.01), 0.25, 0.3),
        ((0.01, 0.01, 0.03), 0.25, 0.3),
    ],
)
def test_a_full_star_whose_flank_is_lost_in_noise_has_no_colour_by_chance(noise, most, scatter):
    """White, 1.2 times full: the logarithm of red over blue scatters little, and about none.

    Where one channel is noisier, flanks that it makes brighter are believed more: 0.1 to 0.15 is left of that.
    """
    found = []
    for seed in range(30):
        random = np.random.default_rng(seed)
        light = np.minimum(star((61, 61), 3.0, 1.2, exponent=4.0), 1.0)
        _, image = repaired([light + random.normal(0, sigma, light.shape) for sigma in noise], 3.0)
        found.append(np.log(np.median(red_over_blue(image, 3.0))))
    assert abs(np.mean(found)) < most
    assert np.std(found) < scatter


def test_holes_beside_a_full_star_do_not_count():
    """Nothing is known there (NaN); it stays so, and the star has the colour of the rest of its flank."""
    y, x = np.mgrid[:60, :60]
    light = 400 * np.exp(-((x - 30.0) ** 2 + (y - 30.0) ** 2) / (2 * 3.0**2))
    image = [np.minimum(share * light, 100).astype(np.float32) for share in (0.4, 0.7, 1.0)]
    for plane in image:
        plane[22], plane[:, 40:42] = np.nan, np.nan
    holes = np.isnan(image[0])
    field = Field(np.array([30.0]), np.array([30.0]), 3.0, np.array([True]), np.ones(1))
    repair_cores(image, np.full((1, 3), 100.0), np.ones(3), field)
    red, green, blue = (plane[30, 30] for plane in image)
    assert (green / red, blue / red) == pytest.approx((0.7 / 0.4, 1 / 0.4), rel=0.05)
    assert all((np.isnan(plane) == holes).all() for plane in image)
