"""Smoothing of brightness and colours on stars that the halves show differently."""

import numpy as np
import pytest

from fourlight.stages import smoothing, way
from fourlight.stages.coverage import Channels

SIZE = 180
MIDDLE = SIZE // 2
COLOUR = (2.0, 1.0, 0.5)
WEIGHTS = np.array([0.3, 0.5, 0.2])


def radius_px():
    y, x = np.mgrid[:SIZE, :SIZE]
    return np.hypot(y - MIDDLE, x - MIDDLE)


def red_star(flux=2e5, seed=1):
    """Channels of unit noise in the whole; seeing and the place of the star differ between halves and channels."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[:SIZE, :SIZE]
    halves = []
    for widths, shift in (((1.2, 1.3, 1.25), 0.25), ((1.8, 1.7, 1.9), -0.25)):
        images = []
        for share, width, step in zip(COLOUR, widths, (shift, -shift, shift), strict=True):
            star = np.exp(-((y - MIDDLE) ** 2 + (x - MIDDLE - step) ** 2) / (2 * width**2))
            star *= share * flux / (2 * np.pi * width**2)
            images.append((star + rng.normal(size=star.shape) * np.sqrt(2)).astype(np.float32))
        halves.append(images)
    whole = [(a + b) / 2 for a, b in zip(*halves, strict=True)]
    variance = [np.ones_like(image) for image in whole]
    return Channels(whole, variance, (halves[0], halves[1]), np.ones((SIZE, SIZE), dtype=bool))


def test_a_bright_red_star_keeps_its_colour_and_has_no_halo():
    out = smoothing.smoothed(red_star(), WEIGHTS, 1.0)
    r = radius_px()
    core = [float(image[r < 3].sum()) for image in out]
    # two subs with 1 px between their colours: most of the colour stays, none of it far away
    np.testing.assert_allclose(np.array(core) / core[1], COLOUR, rtol=0.3)
    ring = (r > 12) & (r < 25)
    for image in out:
        # colour smeared as light, not as hue, leaves tens of sigma here
        assert np.abs(image[ring]).max() < 5


def test_colour_that_both_halves_show_alike_is_kept_however_fine():
    # a blue star 4 px from a red one, and stripes of 4 px, the same in both halves
    y, x = np.mgrid[:SIZE, :SIZE]
    images = []
    for red_star, blue_star, phase in ((2.0, 0.5, 1), (1.0, 1.0, 0), (0.5, 2.0, -1)):
        stars = sum(
            share * 2e4 / (2 * np.pi * 1.1**2) * np.exp(-((y - 90) ** 2 + (x - cx) ** 2) / (2 * 1.1**2))
            for share, cx in ((red_star, 90), (blue_star / 5, 95))
        )
        stripes = (y < 40) * (400 + 100 * phase * np.sin(2 * np.pi * x / 6))
        images.append((stars + stripes).astype(np.float32))
    variance = [np.ones_like(image) for image in images]
    channels = Channels(images, variance, (images, images), np.ones((SIZE, SIZE), dtype=bool))
    for image, kept in zip(images, smoothing.smoothed(channels, WEIGHTS, 1.0), strict=True):
        np.testing.assert_allclose(kept, image, rtol=0.02, atol=3)


def test_strength_zero_changes_nothing():
    channels = red_star()
    for image, kept in zip(smoothing.smoothed(channels, WEIGHTS, 0.0), channels.image, strict=True):
        np.testing.assert_allclose(image, kept, rtol=2e-5, atol=1e-3)


def test_faint_extended_colour_stays():
    rng = np.random.default_rng(3)
    cloud = (6 * np.exp(-(radius_px() ** 2) / (2 * 30**2))).astype(np.float32)
    halves = [
        [(share * cloud + rng.normal(size=cloud.shape) * np.sqrt(2)).astype(np.float32) for share in COLOUR]
        for _ in range(2)
    ]
    whole = [(a + b) / 2 for a, b in zip(*halves, strict=True)]
    variance = [np.ones_like(image) for image in whole]
    channels = Channels(whole, variance, (halves[0], halves[1]), np.ones(cloud.shape, dtype=bool))
    out = smoothing.smoothed(channels, WEIGHTS, 1.0)
    bright = radius_px() < 20
    for share, image, noisy in zip(COLOUR, out, whole, strict=True):
        assert image[bright].mean() / (share * cloud)[bright].mean() == pytest.approx(1, abs=0.03)
        assert (image - share * cloud).std() < 0.25 * (noisy - share * cloud).std()


def test_a_pattern_within_the_misfit_of_the_planes_goes_though_both_halves_show_it():
    y, x = np.mgrid[:SIZE, :SIZE]
    star = 2e4 * np.exp(-((y - 90) ** 2 + (x - 90) ** 2) / (2 * 2.5**2))
    for size, misfit in ((0.4, way.DROP_MISFIT), (0.0175, way.FIT_MISFIT)):
        hatch = 1 + size * np.where((x + y) % 2 == 0, 1, -1)
        images = [image.astype(np.float32) for image in (star * hatch, star, star * (2 - hatch))]
        variance = [np.ones_like(image) for image in images]
        channels = Channels(images, variance, (images, images), np.ones((SIZE, SIZE), dtype=bool))
        core = np.hypot(y - 90, x - 90) < 4
        left = []
        for share in (0.0, misfit):
            red, green, _ = smoothing.smoothed(channels, WEIGHTS, 1.0, share)
            left.append(float((red[core] / green[core]).std()))
        assert left[0] > 0.75 * size
        assert left[1] < 0.25 * size
