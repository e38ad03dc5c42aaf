"""Measuring a light of a run: what calibration made of its samples, and what it was before."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fourlight.core.overexposed import OVEREXPOSED
from fourlight.frames import RawFrame, Role, SetAside
from fourlight.pipeline.lights import Measuring
from fourlight.recipe import Measure
from sensor_night import GAIN, PEDESTAL, READ, SHAPE, Night

WELL_ADU = 60500.0


@pytest.fixture(scope="module")
def flattened(tmp_path_factory: pytest.TempPathFactory) -> tuple[Night, Measuring]:
    """A sensor whose response is known from flats, and what measures its lights."""
    night = Night()
    night.add(Role.LIGHT, 4, 400.0, 60.0)
    night.add(Role.BIAS, 4, 0.0, 0.0)
    night.add(Role.FLAT, 4, 26000.0, 2.0)
    return night, Measuring(night.prepare(tmp_path_factory.mktemp("masters")), Measure())


@pytest.mark.parametrize(
    ("noise", "full"), [(READ / GAIN, True), (np.sqrt((WELL_ADU - PEDESTAL) / GAIN), False)]
)
def test_full_wells_are_seen_behind_the_flat(
    flattened: tuple[Night, Measuring], noise: float, full: bool
) -> None:
    """All wells hold 48 000 e: they are full, as they vary by read noise alone, or light so bright fell on them."""
    assert isinstance(measured(flattened, WELL_ADU, noise), SetAside) == full


def test_light_a_little_below_full_is_not_refused_for_the_flat(flattened: tuple[Night, Measuring]) -> None:
    """One sample of a thousand responds 1.03 as much as most: that puts no other sample nearer to its full level."""
    level = PEDESTAL + 0.96 * (65535 - PEDESTAL)
    assert not isinstance(measured(flattened, level, np.sqrt((level - PEDESTAL) / GAIN)), SetAside)


def measured(flattened: tuple[Night, Measuring], level: float, noise: float) -> object:
    """What is measured of a light whose samples are alike but for noise, ADU."""
    night, measuring = flattened
    light: RawFrame = replace(night.lights[0], path=Path("bright.fits"))
    samples = night.rng.normal(level, noise, SHAPE)
    night.frames[light.path, 0] = np.clip(np.rint(samples), 0, 65535).astype(np.uint16)
    found = replace(measuring, calibration=measuring.calibration.with_light(light, night.lights[0]))(light)
    if isinstance(found, SetAside):
        assert found.reason.endswith(OVEREXPOSED)
    return found
