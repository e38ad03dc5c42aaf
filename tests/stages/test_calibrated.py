"""Calibrated samples as they would be with less taken off them."""

from __future__ import annotations

import numpy as np

from fourlight.io.mapping import HeldPixels
from fourlight.stages.calibrated import CalibratedSource

SHAPE = (100, 90)


def test_without_an_offset_map_its_level_is_taken_off_as_far_as_it_is_known() -> None:
    """Rows that a sensor never fills are unknown in the dark; its places differ by 2 ADU: 100, 102, 104 and 106."""
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    dark = np.float32(100 + 4 * (y % 2) + 2 * (x % 2))
    dark[:4] = np.nan
    raw = np.random.default_rng(1).normal(900, 20, SHAPE).astype(np.float32)
    source = CalibratedSource(HeldPixels(raw), dark, 2.0, 2.0)
    samples, response = source.without_offset(0, 40, 10, 90)
    assert np.isnan(samples[:4]).all()
    np.testing.assert_allclose(samples[4:], 2 * (raw[4:40, 10:90] - 103), atol=1e-3)
    assert response.size == 0
