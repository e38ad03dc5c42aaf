"""Which part of a stack is well covered: bright light is noisier than the sky, and is no hole."""

from __future__ import annotations

import numpy as np
import pytest

from fields import paint_stars
from fourlight.stages.canvas import Canvas
from fourlight.stages.coverage import gather

SHAPE = (300, 400)


@pytest.mark.parametrize("gain", [0.1, 0.3])
def test_stars_where_many_frames_fall_are_as_well_covered_as_the_sky(gain: float) -> None:
    """Two thirds of the stack have three times the frames; faint light there is less noisy than the sky elsewhere."""
    rng = np.random.default_rng(4)
    x, y = rng.uniform(20, 380, 60), rng.uniform(20, 280, 60)
    stars = paint_stars(SHAPE, x, y, np.geomspace(1e4, 4e6, 60), 2.5)
    cloud = 300 * np.exp(-(((np.arange(400) - 200) / 90) ** 2))[None, :] * np.ones(SHAPE)
    depth = np.where(np.abs(np.arange(400) - 200) < 133, 3.0, 1.0)[None, :] * np.ones(SHAPE)
    planes, variances = {}, {}
    for name in "RGB":
        light = stars + cloud
        variance = (60 + gain * light) / depth
        planes[name] = (100 + light + rng.normal(0, 1, SHAPE) * np.sqrt(variance)).astype(np.float32)
        variances[name] = variance.astype(np.float32)
    sheet, frame = gather(planes, variances, None, [], Canvas())
    assert frame == (0, 300, 0, 400)
    assert sheet.covered.all()
    variances["B"][:, :30] *= 40
    thin, frame = gather(planes, variances, None, [], Canvas())
    assert frame == (0, 300, 30, 400)
    assert thin.covered.all()
