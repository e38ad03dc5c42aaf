"""Sums along lines against plain sums, and lines hidden in noise."""

import numpy as np
import pytest

from fourlight.core.lines import strongest_line, sums_along_lines


def test_each_sum_is_that_of_the_pixels_along_a_line():
    picture = np.random.default_rng(1).random((20, 16)).astype(np.float32)
    sums = sums_along_lines(picture)
    columns = np.arange(16)
    for rise in (0, 5, 15):
        for start in (-4, 0, 7):
            # the path of the transform stays within a pixel and a half of the straight line (log2 16 / 6 on average)
            rows = start + rise * columns / 15
            nearby = np.array(
                [
                    [picture[round(r) + d, c] if 0 <= round(r) + d < 20 else 0.0 for d in (-1, 0, 1)]
                    for r, c in zip(rows, columns, strict=True)
                ]
            )
            assert (
                nearby.min(axis=1).sum() - 1e-4 <= sums[rise, 16 + start] <= nearby.max(axis=1).sum() + 1e-4
            )


def test_the_sum_of_all_parallel_lines_is_that_of_the_picture():
    picture = np.random.default_rng(2).random((24, 32)).astype(np.float32)
    sums = sums_along_lines(picture)
    np.testing.assert_allclose(sums.sum(axis=1), picture.sum(), rtol=1e-4)


@pytest.mark.parametrize("angle", [0, 12, 44, 46, 90, 91, 134, 136, 179])
def test_a_line_of_less_than_the_noise_is_found(angle):
    picture = np.random.default_rng(3).standard_normal((210, 300)).astype(np.float32)
    y, x = np.mgrid[:210, :300]
    turn = np.radians(angle)
    away = -np.sin(turn) * (x - 150.0) + np.cos(turn) * (y - 110.0)
    picture[np.abs(away) < 0.6] += 0.8
    found = strongest_line(picture, 80)
    assert found.significance > 8
    assert abs((found.angle - turn + np.pi / 2) % np.pi - np.pi / 2) < np.radians(0.5)
    assert abs(-np.sin(turn) * (found.x - 150.0) + np.cos(turn) * (found.y - 110.0)) < 1.0


def test_noise_alone_makes_no_line():
    rng = np.random.default_rng(4)
    highest = [
        strongest_line(rng.standard_normal((210, 300)).astype(np.float32), 80).significance for _ in range(8)
    ]
    # some 300,000 lines, of which neighbours share pixels: the highest of as many normal numbers is at 4.6
    assert 3.8 < np.mean(highest) < 5.2
    assert max(highest) < 6


def test_too_small_a_picture_has_no_lines():
    assert strongest_line(np.zeros((6, 6), np.float32), 5) is None
    assert strongest_line(np.full((200, 200), np.nan, np.float32), 50) is None
