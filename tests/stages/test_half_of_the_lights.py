"""Noise of half of the lights, from any share of them: against layers painted with known noise."""

from types import SimpleNamespace

import numpy as np
import pytest

from fourlight.stages.geometry import Tile
from fourlight.stages.stack_layers import OUTPUT_PLANES
from fourlight.stages.treatments import Treatment, _noise, _Part

SIDE = 160


def painted(rng, lights, pattern):
    """Layers of so many lights of noise one, under a pattern that no light averages; halves of as many lights each."""
    planes = {}
    for plane in OUTPUT_PLANES[:4]:
        fixed = pattern * rng.normal(size=(SIDE, SIDE))
        a, b = (fixed + rng.normal(size=(SIDE, SIDE)) * np.sqrt(2 / lights) for _ in range(2))
        planes[plane] = {"value": (a + b) / 2, "value_a": a, "value_b": b}
    planes["G"] = {k: (planes["G1"][k] + planes["G2"][k]) / 2 for k in planes["G1"]}
    return {
        name: SimpleNamespace(layers={k: v.astype(np.float32) for k, v in parts.items()})
        for name, parts in planes.items()
    }


@pytest.mark.parametrize("share", [5 / 10, 6 / 13, 8 / 14, 6 / 10])
@pytest.mark.parametrize("pattern", [0.0, 0.2])
def test_noise_is_that_of_half_whatever_share_was_taken(share, pattern):
    """Of variance a + p with all, 2 a + p with half; 1.41 without a pattern. To 3 %, two errors of so many pixels."""
    lights, rng = 20.0, np.random.default_rng(5)
    run = painted(np.random.default_rng(6), lights, pattern)
    few = painted(rng, share * lights, pattern)
    part = _Part(few, run, {}, Tile(0, SIDE, 0, SIDE), np.zeros(5))
    ratio = []
    for taken in (np.full(4, share), None):
        told = _noise(Treatment(None, None, share=taken), part)
        ratio.append(told[4] / _noise(Treatment(None, None), _Part(run, run, {}, part.patch, part.sky))[4])
    true = np.sqrt((2 / lights + pattern**2) / (1 / lights + pattern**2))
    assert ratio[0] == pytest.approx(true, rel=0.03)
    if abs(share - 0.5) > 0.06:
        assert abs(ratio[1] / true - 1) > 0.02, "the share taken matters"
