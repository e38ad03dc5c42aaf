"""The same pixels whatever the tiles, threads and order of frames; a trail that goes and nothing else."""

from dataclasses import replace

import numpy as np
import pytest

from fields import frame_table, stacked, turned
from fourlight.engine import in_order
from fourlight.recipe import Integrate
from fourlight.stages.drops import Drops
from fourlight.stages.geometry import Tile
from fourlight.stages.integrate import integrate_tile
from fourlight.stages.stack_layers import LAYERS, OUTPUT_PLANES

LEVEL = 100.0


@pytest.fixture(scope="module")
def crossed():
    """Ten frames, one with a trail, one of another scale and turned; NaN holes."""
    rng = np.random.default_rng(5)
    shape = (96, 112)
    matrices = [turned(rng.normal(0, 2), 1, tuple(rng.uniform(-4, 4, 2)), (56, 48)) for _ in range(9)]
    matrices.append(turned(20.0, 2.0, (1.3, -0.4), (56, 48)))
    images = rng.normal(LEVEL, 3, (10, *shape))
    for row, light in ((38, 12), (39, 50), (40, 200), (41, 50), (42, 12)):
        images[3, row] += light
    images[rng.random(images.shape) < 0.02] = np.nan
    return images, frame_table(matrices, shape, noise=np.full(4, 3.0), level=LEVEL)


@pytest.mark.parametrize("pixfrac", [1.0, 2.0])
def test_tiles_leave_no_seams(crossed, pixfrac):
    images, table = crossed
    whole, _ = stacked(images, table, pixfrac)
    cut = [Tile(y, min(y + 16, 96), x, min(x + 28, 112)) for y in range(0, 96, 16) for x in range(0, 112, 28)]
    parts, _ = stacked(images, table, pixfrac, tiles=cut)
    for plane in OUTPUT_PLANES:
        for name in LAYERS:
            np.testing.assert_array_equal(whole[plane][name], parts[plane][name], err_msg=f"{plane} {name}")


@pytest.mark.parametrize("rows", [16, 60])
def test_nights_that_overlap_by_half_give_the_same_pixels_for_any_cut(rows):
    """Frames that touch a tile without lying on all of it must not change how its samples are judged."""
    rng = np.random.default_rng(12)
    shape = (120, 100)
    matrices = [
        turned(0, 1, (rng.uniform(-2, 2), 60 * (k % 2) + rng.uniform(-2, 2)), (50, 60)) for k in range(6)
    ]
    images = rng.normal(LEVEL, 5, (6, *shape))
    images[rng.random(images.shape) < 0.003] += 30
    table = frame_table(matrices, shape, noise=np.full(4, 5.0), level=LEVEL)
    whole, scatter = stacked(images, table, 1.0)
    cut = [Tile(y, min(y + rows, 120), 0, 100) for y in range(0, 120, rows)]
    parts, same = stacked(images, table, 1.0, tiles=cut)
    for plane in OUTPUT_PLANES:
        for name in LAYERS:
            np.testing.assert_array_equal(whole[plane][name], parts[plane][name], err_msg=f"{plane} {name}")
        assert scatter[plane] == pytest.approx(same[plane], rel=1e-6)


def test_threads_give_identical_pixels(crossed):
    images, table = crossed
    images = images.astype(np.float32)
    method = Drops(table, 1.0)

    def read(f, y0, y1, x0, x1):
        return images[f, y0:y1, x0:x1].copy(), np.empty((0, 0), dtype=np.float32)

    def work(tile):
        return integrate_tile(tile, table, read, Integrate(), method)

    cut = [Tile(y, min(y + 16, 96), x, min(x + 28, 112)) for y in range(0, 96, 16) for x in range(0, 112, 28)]
    assert len(cut) > 3
    for one, two in zip(in_order(work, cut, 1), in_order(work, cut, 4), strict=True):
        for plane in OUTPUT_PLANES:
            for name in LAYERS:
                np.testing.assert_array_equal(one.planes[plane].layers[name], two.planes[plane].layers[name])


def test_order_of_the_frames_does_not_matter(crossed):
    images, table = crossed
    order = np.random.default_rng(6).permutation(10)
    mixed = frame_table(table.matrix[order], table.shape, noise=np.full(4, 3.0), level=LEVEL)
    mixed = replace(mixed, half=table.half[order])
    first, _ = stacked(images, table, 1.0)
    second, _ = stacked(images[order], mixed, 1.0)
    for plane in OUTPUT_PLANES:
        for name in LAYERS:
            # float32 sums in another order
            np.testing.assert_allclose(first[plane][name], second[plane][name], rtol=2e-4, atol=1e-3)


def test_a_trail_is_rejected_whole_and_little_else(crossed):
    images, table = crossed
    clean = images.copy()
    clean[3, 38:43] = np.random.default_rng(7).normal(LEVEL, 3, (5, 112))
    dirty, spotless = (stacked(i, table, 1.0)[0]["R"]["value"] for i in (images, clean))
    difference = (dirty - spotless)[16:-16, 16:-16]
    # the core adds 80 where it is kept; a rejected sample of two or three, or a wing of 12 kept, up to 3 sigma = 7
    assert np.nanmax(np.abs(difference)) < 9
    assert abs(np.mean(difference[difference != 0])) < 0.5


def test_rejection_off_keeps_the_trail(crossed):
    images, table = crossed
    kept, _ = stacked(images, table, 1.0, reject_sigma=1e6)
    assert np.nanmax(kept["R"]["value"]) > LEVEL + 20


def test_least_squares_has_no_seams_beyond_a_tenth_of_the_noise(crossed):
    images, table = crossed
    whole, _ = stacked(images, table, 1.0, method="least-squares")
    cut = [Tile(y, min(y + 32, 96), x, min(x + 56, 112)) for y in range(0, 96, 32) for x in range(0, 112, 56)]
    parts, _ = stacked(images, table, 1.0, tiles=cut, method="least-squares")
    for plane in OUTPUT_PLANES:
        inner = np.s_[8:-8, 8:-8]
        one, two, var = whole[plane]["value"], parts[plane]["value"], whole[plane]["variance"]
        pull = np.abs(one - two)[inner] / np.sqrt(np.nanmedian(var))
        assert np.nanpercentile(pull, 99) < 0.1
        np.testing.assert_array_equal(np.isfinite(one), np.isfinite(two))
