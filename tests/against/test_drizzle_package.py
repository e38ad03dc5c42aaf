"""Planes of the stack against the `drizzle` package's square kernel, fed with the same samples and weights."""

import runpy
from pathlib import Path

import numpy as np
import pytest
from drizzle.resample import Drizzle

from fourlight.core import cfa, maps

fields = runpy.run_path(str(Path(__file__).parents[1] / "fields.py"))
PATTERN = "GRBG"
CELL = cfa.plane_map(PATTERN)
SHAPE = (140, 150)


@pytest.fixture(scope="module")
def night():
    """Twelve noisy frames of stars on a sky: dithers, small turns, a flip in the middle; one frame of another scale."""
    rng = np.random.default_rng(1)
    place = fields["apart"](rng, 40, (180, 190), 14, 0) - 20
    flux = rng.uniform(200, 8000, len(place))
    matrices, images = [], []
    for k in range(12):
        turn, shift = 180.0 * (k >= 6) + rng.normal(0, 0.8), rng.uniform(-6, 6, 2)
        matrix = fields["turned"](turn, 1.25 if k == 11 else 1.0, tuple(shift), (74.5, 69.5))
        if k == 0:
            matrix = fields["turned"](0.0, 1.0, (0.0, 0.0), (74.5, 69.5))
        x, y = maps.apply(maps.inverse(matrix), place[:, 0], place[:, 1])
        clean = 200 + fields["paint_stars"](
            SHAPE, x, y, flux, 3.0 / np.sqrt(abs(np.linalg.det(matrix[:, :2])))
        )
        images.append(rng.normal(clean, 12.0))
        matrices.append(matrix)
    images = np.array(images, dtype=np.float32)
    images[rng.random(images.shape) < 0.01] = np.nan
    noise = rng.uniform(10, 15, (12, 4))
    return images, np.array(matrices), noise


def packaged(images, matrices, noise, pixfrac, planes):
    """The package's stack of the samples of some planes: weight is the inverse variance, NaN has none."""
    driz = Drizzle(kernel="square", out_shape=SHAPE, fillval="nan")
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    plane = CELL[y % 2, x % 2]
    for image, matrix, sigma in zip(images, matrices, noise, strict=True):
        pixmap = np.stack(maps.apply(matrix, x.astype(float), y.astype(float)), axis=-1)
        weight = np.where(np.isin(plane, planes) & np.isfinite(image), 1 / sigma[plane] ** 2, 0)
        driz.add_image(
            np.nan_to_num(image).astype(np.float32), 1.0, pixmap, weight_map=weight.astype(np.float32), pixfrac=pixfrac,
            in_units="cps",
        )  # fmt: skip
    return driz.out_img, driz.out_wht


@pytest.mark.parametrize("pixfrac", [0.7, 1.0, 2.0])
def test_planes_equal_the_package_to_a_hundredth_of_a_sigma(night, pixfrac):
    images, matrices, noise = night
    table = fields["frame_table"](matrices, SHAPE, noise=noise, level=200.0)
    # nothing rejected: the package takes every sample
    layers, _ = fields["stacked"](images, table, pixfrac, PATTERN, reject_sigma=1e6)
    for name, planes in (("R", [0]), ("G1", [1]), ("B", [3]), ("G", [1, 2])):
        value, weight = packaged(images, matrices, noise, pixfrac, planes)
        inner = np.s_[12:-12, 12:-12]
        # thin pixels, which a drop touches by a corner only, are decided by rounding of its place
        good = (weight > 0.02 * np.median(weight))[inner]
        ours, theirs = layers[name]["value"][inner][good], value[inner][good]
        # noise of a pixel: the scatter of the samples over the root of the effective number of them
        sigma = 12.0 / np.sqrt(np.median(layers[name]["samples"][inner]))
        assert good.mean() > 0.97
        assert np.percentile(np.abs(ours - theirs) / sigma, 99) < 0.01, name
        assert np.median(np.abs(ours - theirs) / sigma) < 0.003
        np.testing.assert_array_equal(np.isnan(layers[name]["value"][inner]), (weight == 0)[inner])


def test_correlated_noise_of_the_package_is_ours(night):
    """Scatter of pixels of pure noise: the package's planes and ours, and NOISCORR's claim for them."""
    rng = np.random.default_rng(2)
    _, matrices, _ = night
    images = rng.normal(0, 1, (12, *SHAPE)).astype(np.float32)
    table = fields["frame_table"](matrices, SHAPE, noise=np.ones(4))
    layers, ratio = fields["stacked"](images, table, 1.0, PATTERN, reject_sigma=1e6)
    value, _ = packaged(images, matrices, np.ones((12, 4)), 1.0, [0])
    inner = np.s_[12:-12, 12:-12]
    assert np.std(layers["R"]["value"][inner]) == pytest.approx(np.std(value[inner]), rel=2e-3)
    pull = layers["R"]["value"][inner] / np.sqrt(layers["R"]["variance"][inner])
    assert np.sqrt(np.median(pull**2)) / 0.6745 == pytest.approx(ratio["R"], rel=0.05)
