"""The empty sky of painted stacks: its level comes back under an object, by planes, and where a colour is missing."""

import numpy as np
import pytest

from fourlight.stages.empty_sky import empty_sky

SHAPE = (320, 400)
Y, X = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
SKY = {"R": 120.0, "G": 200.0, "B": 60.0, "G1": 201.0}
NOTHING = np.zeros(SHAPE, dtype=bool)


def painted(light):
    rng = np.random.default_rng(3)
    return {name: (level + light + rng.normal(0, 3, SHAPE)).astype(np.float32) for name, level in SKY.items()}


def test_levels_come_back_under_an_object():
    """300 pixels of a cell, noise 3: its median is known to 0.2, that of a hundred cells to 0.02."""
    found = empty_sky(painted(80 * np.exp(-((X - 200) ** 2 + (Y - 160) ** 2) / (2 * 50**2))), NOTHING)
    assert found.level == pytest.approx(SKY, abs=0.3)
    assert found.above[10, 12]
    assert not found.filled


def test_faint_light_everywhere_leaves_the_darkest():
    waves = 40 * (1 + np.sin(X / 25) * np.cos(Y / 31))
    found = empty_sky(painted(waves), NOTHING)
    assert found.filled
    assert found.level == pytest.approx(SKY, abs=8.0), (
        "between the darkest, which is the sky, and a fifth of the light"
    )


def test_a_missing_colour_does_not_hide_the_others():
    planes = painted(np.zeros(SHAPE))
    planes["R"] = np.full(SHAPE, np.nan, dtype=np.float32)
    found = empty_sky(planes, NOTHING)
    assert np.isnan(found.level["R"])
    assert found.level["B"] == pytest.approx(60.0, abs=0.1)


def test_where_nothing_is_known_there_is_no_sky():
    found = empty_sky(painted(np.zeros(SHAPE)), ~NOTHING)
    assert not found.use.any()
    assert all(np.isnan(level) for level in found.level.values())
