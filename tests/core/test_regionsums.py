"""Sums over raw samples in regions: against a slow numpy version, and for noise whose variance is known."""

import numpy as np
import pytest
from scipy.ndimage import map_coordinates

from fourlight.core import bends
from fourlight.core import regionsums as part
from fourlight.core.cfa import plane_map
from fourlight.core.regionsums import PARTS, STEEP, region_sums

CELL = plane_map("RGGB")
SHAPE = (40, 46)


def frame(rng, variance=4.0):
    z = rng.normal(0, np.sqrt(variance), SHAPE).astype(np.float32)
    return z, np.full(SHAPE, variance, np.float32), np.zeros(SHAPE, np.float32)


def gathered(z, base, slope, own, other, labels, bend, smooth=None, floor=0.0):
    sums = np.zeros((4, 2, PARTS))
    smooth = np.zeros_like(own) if smooth is None else smooth
    region_sums(
        z, base, slope, 0, 0, bend, CELL, own, other, smooth, smooth, labels, 0, 0, np.full(4, floor), 1.2, sums
    )  # fmt: skip
    return sums


def maps_of(matrix):
    return np.array([bends.straight(np.array(matrix, dtype=float))] * 4)


def test_sums_are_those_of_a_slow_version():
    rng = np.random.default_rng(1)
    z, base, slope = frame(rng)
    slope[:] = 0.5
    z *= 4  # more than the variance tells, so that the limits of good samples matter
    z[rng.random(SHAPE) < 0.05] = np.nan
    z[10, 12] = 900.0
    own, other, smooth = (rng.normal(3, 1, (4, 50, 60)).astype(np.float32) for _ in range(3))
    labels = rng.integers(0, 4, (50, 60)).astype(np.uint16)
    labels[:, 30:] |= np.uint16(1 << STEEP)
    matrix = [[1.0, 0.02, 4.3], [-0.02, 1.0, 5.6]]
    sums = gathered(z, base, slope, own, other, labels, maps_of(matrix), smooth, floor=1.0)
    expected, good, bad = np.zeros_like(sums), {}, 0
    for (j, i), value in np.ndenumerate(z):
        x, y = np.array(matrix) @ [i, j, 1]
        plane = CELL[j % 2, i % 2]
        if not (0 <= x < 59 and 0 <= y < 49) or np.isnan(value):
            continue
        a, b, even = (
            map_coordinates(image[plane].astype(float), [[y], [x]], order=1)[0]
            for image in (own, other, smooth)
        )
        near = int(np.floor(y + 0.5)), int(np.floor(x + 0.5))
        level, detail = (a + b) / 2, b - even
        variance = max(4.0 + 0.5 * level, 1.0)
        if abs(value - b) > 0.7 * abs(level - even) + 5 * np.sqrt(1.2 * variance):
            bad += 1
            continue
        for region in range(2):
            if labels[near] >> region & 1:
                row = [1, value - level, variance, (value - even) * detail]
                expected[plane, region, :4] += row
        if 0 < labels[near] < 1 << STEEP:
            good[j, i] = plane, labels[near], np.array([value - even, a - even, b - even, variance])
    for (j, i), (plane, label, here) in good.items():
        if (j, i - 2) in good and (j, i - 4) in good:
            (_, second, near), (_, third, far) = good[j, i - 2], good[j, i - 4]
            excess, one, other = (here - 2 * near + far)[:3]
            row = [1, excess**2 / 6, one * other / 6, (here + 4 * near + far)[3] / 6]
            for region in range(2):
                if label & second & third & (1 << region):
                    expected[plane, region, 4:] += row
    assert bad > 100
    assert sums[..., part.COUNT].sum() > 1000
    np.testing.assert_allclose(sums, expected, rtol=2e-5, atol=1e-3)


@pytest.mark.parametrize("frames", [2, 4, 20])
@pytest.mark.parametrize("grain", [0.0, 3.0])
def test_variance_is_found_without_degrees_of_freedom(frames, grain):
    """Halves are means of half of the frames each; the variance of a sample comes out whatever their number is."""
    rng = np.random.default_rng(frames)
    light = rng.normal(0, grain, SHAPE).astype(np.float32)
    taken = [(z + light, *rest) for z, *rest in (frame(rng, 9.0) for _ in range(frames))]
    bend, labels = maps_of([[1, 0, 0], [0, 1, 0]]), np.ones(SHAPE, np.uint16)
    halves = [np.array([np.mean([z for z, _, _ in taken[half::2]], axis=0)] * 4) for half in range(2)]
    sums = sum(
        gathered(
            *values, halves[k % 2].astype(np.float32), halves[1 - k % 2].astype(np.float32), labels, bend
        )
        for k, values in enumerate(taken)
    )
    total = sums[:, 0].sum(axis=0)
    seen = (total[part.RESIDUAL] - total[part.GRAIN]) / total[part.FLAT]
    assert seen == pytest.approx(9.0, rel=4 * np.sqrt(4 / total[part.FLAT]))


def test_slow_errors_of_light_are_no_noise():
    """A frame that is 10 % brighter than the others, on a slope of light: the variance stays that of the samples."""
    rng = np.random.default_rng(8)
    slope = np.linspace(0, 300, SHAPE[1])[None, :].repeat(SHAPE[0], axis=0).astype(np.float32)
    bend, labels = maps_of([[1, 0, 0], [0, 1, 0]]), np.ones(SHAPE, np.uint16)
    smooth = np.array([slope] * 4).astype(np.float32)
    halves = [smooth + rng.normal(0, 1, smooth.shape).astype(np.float32) for _ in range(2)]
    z, base, steepness = frame(rng, 400.0)
    total = gathered(z + 1.1 * slope, base, steepness, *halves, labels, bend, smooth)[:, 0].sum(axis=0)
    seen = (total[part.RESIDUAL] - total[part.GRAIN]) / total[part.FLAT]
    assert seen == pytest.approx(400.0, rel=4 * np.sqrt(4 / total[part.FLAT]))


def test_nothing_where_no_region_is_or_a_half_has_a_hole():
    rng = np.random.default_rng(3)
    own = np.zeros((4, *SHAPE), np.float32)
    other = np.full((4, *SHAPE), np.nan, np.float32)
    bend = maps_of([[1, 0, 0], [0, 1, 0]])
    assert not gathered(*frame(rng), own, own, np.zeros(SHAPE, np.uint16), bend).any()
    assert not gathered(*frame(rng), own, other, np.ones(SHAPE, np.uint16), bend).any()
