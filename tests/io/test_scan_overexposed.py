"""Lights that are told to be overexposed when frames are searched for."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from fits_images import put
from fourlight.io.scan import scan


@pytest.mark.parametrize(
    ("level", "noise", "told"), [(63000, 2.4, True), (63000, 280.0, False), (900, 2.4, False)]
)
def test_a_light_of_full_wells_is_told(tmp_path: Path, level: float, noise: float, told: bool) -> None:
    """At 0.8 e/ADU photons make sqrt(63000 / 0.8) = 280 ADU of noise, read noise of 1.9 e alone 2.4."""
    image = np.random.default_rng(5).normal(level, noise, (128, 128))
    put(tmp_path / "light.fits", image.clip(0, 65535).astype(np.uint16), EGAIN=0.8, IMAGETYP="LIGHT")
    (frame,) = scan([tmp_path]).frames
    assert ("most of its samples are full: overexposed; expose shorter" in frame.problems) == told
