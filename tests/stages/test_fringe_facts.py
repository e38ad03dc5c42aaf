"""Size of colour fringes, and what the atmosphere explains of it."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from fields import measured_frame, star_list
from fourlight.frames import RegisteredFrame
from fourlight.stages.fringe_facts import fringe_facts

SHAPE = (101, 201)


def light(offset, **facts):
    measured = measured_frame("a", star_list(np.zeros(0), np.zeros(0), np.zeros((0, 4))), SHAPE)
    measured = replace(measured, raw=replace(measured.raw, **facts))
    return RegisteredFrame(measured, np.eye(2, 3), 0.0, 0, offset=offset)


def apart():
    """Red 0.3 px right of green in the middle and growing to the right, blue 0.4 px above."""
    offset = np.zeros((4, 2, 3))
    offset[0] = [[0.001, 0, 0.3 - 0.1], [0, 0, 0]]
    offset[3] = [[0, 0, 0], [0, 0, -0.4]]
    return offset


def test_shift_and_corner():
    facts = fringe_facts([light(apart())], 1.5)
    assert facts["altitude_deg"] is None
    assert facts["planes"]["R"] == pytest.approx({"shift_px": 0.3, "corner_px": 0.1, "by_air_px": None})
    assert facts["planes"]["B"] == pytest.approx({"shift_px": 0.4, "corner_px": 0.0, "by_air_px": None})


def test_what_the_air_explains():
    # Venus of Meeus, ex. 13.b, stood at 15.12 deg, an air mass of 3.83 for a flat atmosphere (tan z = 3.70)
    facts = fringe_facts(
        [light(apart(), ra_deg=347.3193375, dec_deg=-6.719892, latitude_deg=38.921389, longitude_deg=-77.065556,
               time=datetime(1987, 4, 10, 19, 21, tzinfo=UTC), exposure_s=0.0)], 2.0,
    )  # fmt: skip
    assert facts["altitude_deg"] == pytest.approx([15.12, 15.12], abs=0.01)
    # Filippenko 1982, table I, air mass 1.50 (tan z = 1.118): 600 nm -0.37, 550 nm -0.21, 500 nm 0: 530 nm about -0.13.
    # That is for 600 mmHg; spread goes as the density of air, here 760 mmHg; 2 arcsec are a pixel.
    sea = 760 / 600 / 2
    assert facts["planes"]["R"]["by_air_px"] == pytest.approx(sea * (0.37 - 0.13) * 3.70 / 1.118, rel=0.08)
    # 450 nm 0.29, 500 nm 0: 460 nm about 0.22
    assert facts["planes"]["B"]["by_air_px"] == pytest.approx(sea * (0.22 + 0.13) * 3.70 / 1.118, rel=0.08)


def test_no_prediction_near_the_horizon():
    facts = fringe_facts(
        [light(apart(), ra_deg=0.0, dec_deg=90.0, latitude_deg=5.0, longitude_deg=0.0,
               time=datetime(2031, 4, 10, tzinfo=UTC))], 2.0,
    )  # fmt: skip
    assert facts["altitude_deg"] == pytest.approx([5.0, 5.0])
    assert facts["planes"]["R"]["by_air_px"] is None
