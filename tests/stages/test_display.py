"""From linear channels to a display: cores of full stars."""

import numpy as np

from fourlight.stages.display import Field, repaired_cores


def test_full_cores_have_one_colour_though_single_pixels_fall_below_the_full_level():
    """A blue star whose red is uneven about the level of full samples: mended pixel by pixel it would be chequered."""
    y, x = np.mgrid[:40, :40]
    light = 400 * np.exp(-((x - 20.0) ** 2 + (y - 20.0) ** 2) / (2 * 3.0**2))
    uneven = np.where((x + y) % 2 == 0, 1.0, 0.75)
    full = 100.0
    red, green, blue = (np.minimum(share * light, full) for share in (0.4, 0.7, 1.0))
    image = [(plane * np.where(light > 90, uneven, 1)).astype(np.float32) for plane in (red, green, blue)]
    field = Field(np.array([20.0]), np.array([20.0]), 3.0, np.array([True]), np.ones(1))
    mended = repaired_cores(image, np.full((1, 3), full), np.ones(3), field)
    core = np.hypot(x - 20, y - 20) < 6
    hue = (mended[0] / mended[2])[core]
    assert hue.max() / hue.min() < 1.3
