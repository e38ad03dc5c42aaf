"""Parts and turns of a picture, against places on the sky."""

from types import SimpleNamespace

import numpy as np
import pytest

from fourlight.core.distortion import Mapping
from fourlight.errors import InputError
from fourlight.sky.plate import PlateSolution
from fourlight.stages.framing import UPRIGHT, Framing, framed

NONE = np.empty(0, dtype=np.int64)


def solution(angle_deg, mirrored):
    """A plate solution whose +y axis has that position angle."""
    turn = np.radians(angle_deg)
    north, east = np.cos(turn), np.sin(turn)
    down = np.array([east, north])  # xi, eta of +y
    right = np.array([north, -east]) * (1 if mirrored else -1)
    cd = 4.0 / 3600 * np.column_stack([right, down])
    mapping = Mapping(cd, np.zeros((2, 0)), np.zeros((2, 0)), 1)
    return PlateSolution(50.0, 20.0, 60, 90, mapping, 9, 9, 0.1, -50.0, 2026.0, NONE, NONE)


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("angle", [0.0, 30.0, 80.0, 100.0, 170.0, 200.0, 260.0, 300.0, 359.0])
def test_north_is_up_and_east_left_after_quarter_turns(angle, mirrored):
    """Two places on the sky, painted where the solution puts them, before and after."""
    plate = solution(angle, mirrored)
    sky = {"rotation_deg": plate.rotation_deg, "mirrored": plate.mirrored}
    framing, notes = framed((0, 60, 0, 90), None, sky, north_up=True)
    image = np.zeros((60, 90), dtype=int)
    for value, (ra, dec) in enumerate([(50.0, 20.0), (50.0, 20.02), (50.021, 20.0)], start=1):
        x, y = plate.pixel([ra], [dec])
        image[round(float(y[0])), round(float(x[0]))] = value
    turned = framing.turned(image)
    middle, north, east = (np.argwhere(turned == value)[0].astype(float) for value in (1, 2, 3))
    up = np.degrees(np.arctan2(*(north - middle)[::-1] * [1, -1]))  # clockwise from the upper edge
    assert abs(up) <= UPRIGHT + 4
    left = np.degrees(np.arctan2(*(east - middle)[::-1] * [1, -1]))
    assert (left - up) % 360 == pytest.approx(270, abs=6)
    if abs(up) > 5:
        assert f"{'right' if up > 0 else 'left'} of up" in notes[0]
    np.testing.assert_array_equal(framing.straight(turned), image)


def test_a_crop_is_kept_within_the_picture():
    framing, notes = framed((10, 110, 20, 220), (0, 30, 100, 400), None, north_up=False)
    assert framing == Framing((30, 110, 20, 100))
    (said,) = notes
    assert "0,30,100,400 goes beyond the picture, which shows 20,10,220,110 of the stack" in said
    assert "20,30,100,110 is shown, 80 x 80 px" in said


def test_nothing_is_said_of_a_crop_within_the_picture():
    framing, notes = framed((10, 110, 20, 220), (20, 10, 220, 100), None, north_up=False)
    assert (framing, notes) == (Framing((10, 100, 20, 220)), [])


def test_a_crop_that_leaves_nothing_is_told():
    with pytest.raises(InputError, match=r"0,0,15,400 leaves 0 x 100 px .* 20,10,220,110 of the stack"):
        framed((10, 110, 20, 220), (0, 0, 15, 400), None, north_up=False)


def test_without_a_solution_nothing_is_turned_and_that_is_said():
    framing, notes = framed((0, 60, 0, 90), None, None, north_up=True)
    assert framing == Framing((0, 60, 0, 90))
    assert "fourlight solve" in notes[0]


def test_a_summary_without_turns_is_read():
    facts = SimpleNamespace(picture={"window": [0, 5, 0, 6]}).picture
    assert Framing.of(facts) == Framing((0, 5, 0, 6))
    assert Framing.of({**facts, "quarters": 3, "mirrored": True}).quarters == 3
