"""Sums kept in few bytes come back as they were, to the precision that is promised."""

import numpy as np
import pytest

from fourlight.core.packing import packed, unpacked

FINE = 3


def drops(rng, shape=(40, 50), filled=0.7):
    sums = np.zeros((*shape, 5), dtype=np.float32)
    there = rng.random(shape) < filled
    weight = rng.uniform(1e-3, 5, shape)
    for lane, values in enumerate(
        (weight * rng.normal(1e4, 5e4, shape), weight, weight**2, weight * 3e-4, weight * 2e5)
    ):
        sums[..., lane] = np.where(there, values, 0)
    return sums


def cells(rng, shape=(12, 15), filled=0.4):
    size = (shape[0], FINE**2, shape[1])
    weight = np.where(rng.random(size) < filled, rng.uniform(1e-4, 1e-2, size), 0)
    kind = np.arange(FINE**2)[:, None]
    x, y = (kind % FINE + rng.uniform(0, 1, size)) / FINE, (kind // FINE + rng.uniform(0, 1, size)) / FINE
    mean = rng.normal(100, 40, size)
    lanes = (weight, weight * mean, weight * x, weight * y, weight, weight**2)
    return np.stack(lanes, axis=2).astype(np.float32)


@pytest.mark.parametrize(("make", "fine"), [(drops, 0), (cells, FINE)])
def test_means_come_back_whole_and_the_rest_to_half_precision(make, fine):
    sums = make(np.random.default_rng(2))
    back = unpacked(packed(sums, fine), fine)
    value, weight = (1, 0) if fine else (0, 1)
    if fine:
        sums, back = np.moveaxis(sums, 2, -1), np.moveaxis(back, 2, -1)
    there = sums[..., weight] > 0
    np.testing.assert_array_equal(back[..., weight] > 0, there)
    # IEEE 754 half precision has 11 bits: rounding changes a number by up to 2^-11 of it
    np.testing.assert_allclose(back[there][:, weight], sums[there][:, weight], rtol=2**-11)
    means = [part[there][:, value] / part[there][:, weight] for part in (back, sums)]
    np.testing.assert_allclose(*means, rtol=1e-6)
    for lane in range(4 if fine else 2, sums.shape[-1]):
        np.testing.assert_allclose(back[there][:, lane], sums[there][:, lane], rtol=2**-10)
    if fine:
        places = [part[there][:, 2:4] / part[there][:, :1] for part in (back, sums)]
        assert np.abs(places[0] - places[1]).max() < 1 / (500 * FINE)


def test_they_take_less_than_half_of_the_room():
    sums = cells(np.random.default_rng(3))
    assert sum(part.nbytes for part in packed(sums, FINE).values()) < 0.5 * 0.45 * sums.nbytes


@pytest.mark.parametrize("fine", [0, FINE])
def test_nothing_stays_nothing(fine):
    empty = np.zeros((6, FINE**2, 6, 9) if fine else (6, 9, 6), dtype=np.float32)
    np.testing.assert_array_equal(unpacked(packed(empty, fine), fine), empty)
