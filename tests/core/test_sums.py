"""From sums to layers: numpy's formulae for effective samples (Kish 1965), weighted means and noise over VAR."""

import numpy as np
import pytest

from fourlight.core.lanes import LANES
from fourlight.core.sums import MOST_CORRELATED, SLIVER, finish, inverse_weights


def laid(seed, shape, planes=1):
    """Sums (n, 2, ph, pw, 4) of up to nine drops per pixel that may have touched it, none on some; noise power."""
    rng = np.random.default_rng(seed)
    drops = rng.random((9, planes, 2, *shape))
    drops *= rng.random(drops.shape) < rng.random((planes, 2, *shape)) - 0.2
    weights = rng.uniform(0.2, 2, drops.shape)
    sums = np.stack(
        [
            (weights * drops * rng.normal(50, 5, drops.shape)).sum(axis=0),
            (weights * drops).sum(axis=0),
            (weights**2 * drops).sum(axis=0),
            (weights**2 * drops**2).sum(axis=0),
        ],
        axis=-1,
    )
    power = rng.uniform(0.2, 1.5, (planes, 2, *shape, 4))
    return sums.astype(np.float32), power.astype(np.float32)


@pytest.mark.parametrize(("planes", "own", "half"), [(1, 0, 0), (2, 1, 0), (2, 0, 1)])
def test_inverse_weights_are_numpys(planes, own, half):
    sums, _ = laid(planes, (5, 300), planes)
    sums[:, :, 2, :40] = 0
    inverse = np.full((5, 300, 4), np.nan, dtype=np.float32)
    inverse_weights(sums, own, half, inverse)
    weight = sums[..., 1].astype(float)
    four = [weight[own].sum(axis=0), weight[own, half], weight.sum(axis=(0, 1)), weight[:, half].sum(axis=0)]
    for lane, total in enumerate(four):
        expected = np.divide(1, total, out=np.zeros_like(total), where=total > 0)
        np.testing.assert_allclose(inverse[..., lane], expected, rtol=1e-6)
    assert not inverse[2, :40].any()


@pytest.mark.parametrize("lane", [0, 2])
def test_layers_are_weighted_means_and_their_noise(lane):
    rim, claim, shape = 3, 0.9, (6, LANES + 44)
    sums, power = laid(7, (shape[0] + 2 * rim, shape[1] + 2 * rim))
    sums, power = sums[0], power[0]
    sums[:, 5, 10:20] = 0
    # the corner of one drop: a ten-thousandth of a sample
    sums[:, 6, 30] = [5e-3, 1e-4, 1e-4, 1e-8]
    layers = np.full((7, *shape), np.inf, dtype=np.float32)
    total, number = finish(sums, power, lane, claim, rim, layers)
    s, p = (part[:, rim:-rim, rim:-rim].astype(float) for part in (sums, power))
    expected = []
    with np.errstate(divide="ignore", invalid="ignore"):
        for part, noise in (
            (s.sum(axis=0), p[..., lane].sum(axis=0)),
            *((s[k], p[k, ..., lane + 1]) for k in range(2)),
        ):
            effective = part[..., 1] ** 2 / part[..., 2]
            there = effective >= SLIVER
            expected += [
                np.where(there, part[..., 0] / part[..., 1], np.nan),
                np.where(there, claim * noise, np.nan),
            ]
            if len(expected) == 2:
                expected.append(np.where(there, effective, 0))
        both = s.sum(axis=0)
        ratio = both[..., 3] / both[..., 1] ** 2 / expected[1]
    np.testing.assert_allclose(layers, np.array(expected), rtol=2e-6)
    assert np.isnan(layers[0, 2, 7:17]).all()
    assert np.isnan(layers[0, 3, 27])
    assert layers[2, 3, 27] == 0
    counted = ratio[np.isfinite(ratio)]
    assert number == counted.size
    assert total == pytest.approx(np.minimum(counted, MOST_CORRELATED).sum(), rel=1e-5)
    assert (counted > MOST_CORRELATED).any()


def test_nothing_laid_down_is_nothing_known():
    layers = np.zeros((7, 4, 5), dtype=np.float32)
    empty = np.zeros((2, 6, 7, 4), dtype=np.float32)
    assert finish(empty, empty, 0, 1.0, 1, layers) == (0.0, 0)
    assert np.isnan(np.delete(layers, 2, axis=0)).all()
    assert not layers[2].any()
