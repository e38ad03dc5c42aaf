"""Tiles that overlap."""

import numpy as np
import pytest

from fourlight.core.tiles import HALO, SIDE, tiles


@pytest.mark.parametrize("size", [(1, 1), (1, 700), (50, 60), (256, 257), (700, 1000), (224, 225)])
def test_weights_sum_to_one_and_pixels_come_back(size):
    image = np.random.default_rng(1).normal(size=size).astype(np.float32)
    total, back = np.zeros(size), np.zeros(size)
    for tile in tiles(size):
        there, own = tile.place()
        part = tile.cut(image)
        assert part.shape == (SIDE, SIDE)
        total[there] += tile.weight()
        back[there] += tile.weight() * part[own]
        assert all(0 <= middle < max(side, 1) for middle, side in zip(tile.middle, size[::-1], strict=True))
    np.testing.assert_allclose(total, 1, atol=1e-6)
    np.testing.assert_allclose(back, image, atol=1e-5)


def test_beyond_the_edge_the_image_is_mirrored_and_gaps_are_filled():
    image = np.arange(700, dtype=np.float32)[:, None] + np.zeros((1, 40), np.float32)
    image[100, 7] = np.nan
    first = next(iter(tiles(image.shape))).cut(image)
    assert np.isfinite(first).all()
    assert first[HALO + 3, 200] == 3
    assert first[HALO - 3, 200] == 3
    assert first[HALO + 100, HALO + 7] == pytest.approx(100, abs=1)
