"""Lights that are told to be overexposed when frames are searched for."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from fits_images import put
from fourlight.core.cfa import PLANES, plane_map
from fourlight.core.overexposed import OVEREXPOSED
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


@pytest.mark.parametrize("packed", ["", ".gz"])
@pytest.mark.parametrize(
    ("full", "told"), [({"R": 1.0, "G1": 0.1, "G2": 0.1}, False), ({"G1": 0.99, "G2": 0.99, "B": 1.0}, True)]
)
def test_colours_of_all_rows_of_the_mosaic_count(
    tmp_path: Path, full: dict[str, float], told: bool, packed: str
) -> None:
    """Light of one colour fills 30 % of the samples, or 75 %; R and a green share rows, so do B and the other."""
    rng = np.random.default_rng(6)
    image = rng.integers(1000, 2000, (400, 96)).astype(np.uint16)
    y, x = np.mgrid[:400, :96]
    share = np.array([full.get(plane, 0.0) for plane in PLANES])[plane_map("RGGB")[y % 2, x % 2]]
    image[rng.random(image.shape) < share] = 65535
    put(tmp_path / f"light.fits{packed}", image, IMAGETYP="LIGHT", BAYERPAT="RGGB")
    (frame,) = scan([tmp_path]).frames
    assert (OVEREXPOSED in frame.problems) == told
