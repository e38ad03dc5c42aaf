"""Weights best for extended light and for stars, on frames of changing seeing; truth is painted."""

from dataclasses import replace

import numpy as np
import pytest

from fields import SAMPLING, block_means, measured_frame, paint_stars, stacked, star_list, turned
from fourlight.core import maps
from fourlight.frames import RegisteredFrame
from fourlight.stages.table import frame_table

SHAPE = (110, 130)
PLACES = np.array([[30.2, 28.7], [95.4, 31.1], [33.8, 80.3], [92.6, 77.9]])
FWHM = (2.4, 4.8)
FRAMES = 24


@pytest.fixture(scope="module")
def night():
    """Every other frame has stars twice as wide; all have a sky of 100 and a noise of 10."""
    rng = np.random.default_rng(31)
    images, frames = [], []
    for k in range(FRAMES):
        width = FWHM[k // 2 % 2]
        stars = star_list(PLACES[:, 0], PLACES[:, 1], np.full((4, 4), 5e3), fwhm=width)
        matrix = turned(180 * (k % 2), 1.0, tuple(rng.uniform(-5, 5, 2)), (64.5, 54.5))
        x, y = maps.apply(maps.inverse(matrix), *PLACES.T)
        images.append(100 + paint_stars(SHAPE, x, y, np.full(4, 5e3), width) + rng.normal(0, 10, SHAPE))
        frames.append(RegisteredFrame(measured_frame(f"{k}.fits", stars, SHAPE, width), matrix, 0.1, 50))
    return np.array(images), frames


def table_of(frames, *, stars):
    return frame_table(
        frames, frames[0].measured, 0, sampling=[replace(SAMPLING, electrons=False)] * FRAMES, stars=stars
    )  # fmt: skip


def test_the_area_of_the_image_of_a_star_counts(night):
    """Noise of a star's light goes with the noise-equivalent area of its image, 4 pi sigma^2 (King 1983)."""
    _, frames = night
    np.testing.assert_allclose(table_of(frames, stars=False).weight, 1 / 100)
    weight = table_of(frames, stars=True).weight
    np.testing.assert_allclose(weight[2] / weight[0], (FWHM[0] / FWHM[1]) ** 2)
    np.testing.assert_allclose(weight.max(), 1 / 100)


@pytest.mark.parametrize("method", ["drizzle", "least-squares"])
def test_stars_gain_what_the_sky_loses_and_errors_are_told_right(night, method):
    images, frames = night
    found = {
        stars: stacked(images, table_of(frames, stars=stars), 1.0, method=method)[0]
        for stars in (True, False)
    }
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    gaps = np.array([np.hypot(x - cx, y - cy) for cx, cy in PLACES])
    for plane in ("R", "G", "B"):
        noise, snr = {}, {}
        for stars, layers in found.items():
            value, variance = layers[plane]["value"], layers[plane]["variance"]
            empty = np.where(gaps.min(axis=0) > 18, 1.0, np.nan)
            blocks, claimed = block_means(value * empty, 8), block_means(variance * empty, 8)
            noise[stars] = np.sqrt(claimed.mean())
            assert blocks.std() * 8 / noise[stars] == pytest.approx(1, abs=4 / np.sqrt(2 * len(blocks)))
            core = np.mean([value[gap < 1.5].mean() for gap in gaps]) - 100
            snr[stars] = core / noise[stars]
        # weights 1 and 1/4: variance (1 + 1/16) / (1 + 1/4)^2 against 1/2, by the rule for weighted means
        assert noise[True] / noise[False] == pytest.approx(np.sqrt(1.36), rel=0.03)
        assert snr[True] > 1.05 * snr[False]
