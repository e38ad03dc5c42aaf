"""The invented galaxy: old in the middle, young in its arms, nothing beyond its size."""

import numpy as np
import pytest

from fourlight.simulate.galaxy import FLAT, galaxy


@pytest.fixture(scope="module", params=[3, 24])
def drawn(request):
    v, u = (np.mgrid[-200:201, -300:301] / 400.0).astype(float)
    turn = np.radians(20.0 + 37.0 * (request.param % 5))
    x = (u * np.cos(turn) + v * np.sin(turn)) / 0.7
    y = (v * np.cos(turn) - u * np.sin(turn)) / 0.7 / FLAT
    return np.hypot(x, y), galaxy(u, v, 0.7, request.param)


def test_it_ends_at_its_size_and_is_brightest_in_the_middle(drawn):
    r, parts = drawn
    assert np.unravel_index(parts.old.argmax(), r.shape) == (200, 300)
    for image in (parts.young, parts.gas, parts.dust):
        assert image[r > 1.1].max(initial=0.0) == 0
        assert 0 <= image.min() <= image.max() < 3
    assert parts.old[r > 1.1].max() < 1e-4


def test_the_middle_is_old_and_arms_are_young_with_gas_and_dust(drawn):
    r, parts = drawn
    assert (parts.old / (parts.young + 1e-3))[r < 0.03].min() > 50
    arms = (r > 0.2) & (r < 0.5)
    glowing = arms & (parts.gas > 0.2)
    assert glowing.any()
    assert parts.young[glowing].mean() > 2 * parts.young[arms].mean()
    assert parts.dust[arms].max() > 0.3
    # a disc that falls off exponentially: rings three lengths apart differ by about exp(-3) if arms are averaged out
    near, far = (parts.young[(r > low) & (r < low + 0.05)].mean() for low in (0.2, 0.5))
    assert far / near == pytest.approx(np.exp(-0.3 / 0.23), rel=0.4)
