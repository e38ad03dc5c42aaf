"""Ring sums of windows against the correlation of one image, and the pattern that lights lay on each other."""

from __future__ import annotations

import numpy as np
import pytest

from fourlight.core.ringsums import Net, RingSums, pattern_sharing
from slow_rings import rim, ring_correlation

SHAPE = (96, 120)
NONE = np.zeros((SHAPE[0], SHAPE[1] // 2 + 1), np.float32)


def noise(rng, *shape):
    return rng.normal(size=shape or SHAPE).astype(np.float32)


def moved(pattern, dither):
    return np.mean([np.roll(pattern, (int(y), int(x)), (0, 1)) for x, y in dither], axis=0)


def halves_with_pattern(rng, dither, strength):
    """Halves of alternate lights: noise of sigma 1 each, and a pattern that is moved by the dither."""
    half, pattern = np.arange(len(dither)) % 2, strength * noise(rng)
    return half, [
        noise(rng) + moved(pattern, dither[half == part]).astype(np.float32) for part in (0, 1)
    ]  # fmt: skip


@pytest.mark.parametrize("shape", [(96, 120), (97, 101)])
def test_one_window_is_the_correlation_of_two_images(shape):
    rng = np.random.default_rng(1)
    truth = noise(rng, *shape)
    first, second = truth + noise(rng, *shape), truth + noise(rng, *shape)
    weight = rim(shape).astype(np.float32)
    expected = ring_correlation(first, second, weight)
    sums = RingSums(Net.of(shape))
    first, second = ((image - (image * weight).sum() / weight.sum()) * weight for image in (first, second))
    sums.add(first, second, np.zeros((shape[0], shape[1] // 2 + 1), np.float32))
    rings = sums.rings(1.0)
    mine = [np.interp(f, rings.frequency, rings.value) for f in expected.frequency[2:-2]]
    assert np.abs(np.array(mine) - expected.value[2:-2]).mean() < 0.05
    inside = rings.frequency < 0.45
    assert np.average(rings.value[inside], weights=rings.count[inside]) == pytest.approx(0.5, abs=0.04)


def test_sums_of_windows_are_those_of_all_their_products():
    """Against numpy, all Fourier pixels of a ring one by one."""
    rng = np.random.default_rng(2)
    pairs = [(noise(rng), noise(rng)) for _ in range(3)]
    net, total = Net.of(SHAPE), RingSums(Net.of(SHAPE))
    for first, second in pairs:
        part = RingSums(net)
        part.add(first, second, NONE)
        total.absorb(part)
    radius = np.hypot(np.fft.fftfreq(SHAPE[0])[:, None], np.fft.fftfreq(SHAPE[1])[None])
    ring = np.rint(radius * min(SHAPE)) == 20
    cross = sum((np.fft.fft2(a) * np.fft.fft2(b).conj()).real[ring].sum() for a, b in pairs)
    power = [sum((np.abs(np.fft.fft2(pair[k])) ** 2)[ring].sum() for pair in pairs) for k in (0, 1)]
    assert total.sums[:, 19] == pytest.approx([cross, *power], rel=1e-4)
    assert net.pixels[19] == ring.sum()
    assert total.rings(1.0).frequency[19] == pytest.approx(radius[ring].mean())


def test_a_pattern_is_found_and_taken_off():
    """No sky at all: whatever the halves have in common is the pattern."""
    rng = np.random.default_rng(3)
    dither = rng.choice([[0, 0], [7, 0], [0, 7]], 12)
    half, (first, second) = halves_with_pattern(rng, dither, 1.0)
    shared = pattern_sharing(SHAPE, dither.astype(float), np.ones(12), half, np.zeros(12, int))
    sums = RingSums(Net.of(SHAPE))
    sums.add(first, second, shared)
    before, after = (
        np.average(rings.value, weights=rings.count)
        for rings in (sums.rings(1.0), sums.rings(1.0, sums.pattern(1.0)[0]))
    )
    assert before > 0.15
    assert abs(after) < 0.03


def test_the_error_of_a_pattern_is_its_scatter():
    rng = np.random.default_rng(4)
    dither = rng.normal(0, 5, (10, 2)).round()
    half, net = np.arange(10) % 2, Net.of(SHAPE)
    shared = pattern_sharing(SHAPE, dither, np.ones(10), half, np.zeros(10, int))
    pulls = []
    for _ in range(200):
        sums = RingSums(net)
        for _ in range(2):
            sums.add(noise(rng), noise(rng), shared)
        power, error = sums.pattern(2.0)
        pulls.append(power / error)
    assert np.std(pulls) == pytest.approx(1, abs=0.15)
    assert np.mean(pulls) == pytest.approx(0, abs=0.25)


def test_without_dithering_a_pattern_is_not_known():
    rng = np.random.default_rng(5)
    shared = pattern_sharing(SHAPE, np.zeros((8, 2)), np.ones(8), np.arange(8) % 2, np.zeros(8, int))
    assert shared == pytest.approx(1)
    sums = RingSums(Net.of(SHAPE))
    sums.add(noise(rng), noise(rng), shared)
    assert sums.pattern(1.0)[1] > 1e3


def test_lights_that_are_turned_share_no_pattern():
    shared = pattern_sharing(
        SHAPE, np.zeros((4, 2)), np.ones(4), np.array([0, 1, 0, 1]), np.array([0, 3, 0, 3])
    )
    assert not shared.any()


def test_images_that_hold_nothing():
    sums = RingSums(Net.of(SHAPE))
    sums.add(np.zeros(SHAPE, np.float32), np.ones(SHAPE, np.float32), NONE)
    assert np.isnan(sums.rings(1.0).value).all()
    assert sums.pattern(1.0) == (0.0, float("inf"))
