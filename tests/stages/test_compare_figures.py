"""Earlier figures for a wheel against a colour camera come out under their assumptions.

They are those of prototypes of this project (not an outside source), whose curves were typed from memory: 80 mm f/5,
3.76 um, read noise 1.5 e, sky V = 20.5, subs of 180 s, bands of 7 nm, 6 h by the clock with overheads counted. The
curves here are measured ones, so that the interval over what is assumed has to hold them, not the value.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from compare_setups import compared, setup
from fourlight.stages.plan_light import KINDS

LINES = (("halpha-7nm", 1.0), ("oiii-7nm", 1.0))
WHEEL = (("luminance", 3.0), ("wheel-red", 1.0), ("wheel-green", 1.0), ("wheel-blue", 1.0))


@cache
def of_lines(sensor="bsi-8mp"):
    return compared(
        setup(sensor, filters=[("dual-7nm", 1.0)]), setup("bsi-8mp", mono=True, filters=LINES), draws=200
    )


@cache
def of_light(green="wheel-green"):
    filters = [(green if name == "wheel-green" else name, share) for name, share in WHEEL]
    return compared(
        setup(filters=[("uv-ir-cut", 1.0)]), setup(mono=True, filters=filters), KINDS["galaxy"], draws=100
    )


def ratio(found, name):
    return {one.name: one for one in found.quantities}[name]


@pytest.mark.parametrize(("name", "figure"), [("halpha", 1.61), ("oiii", 1.10)])
def test_each_line_with_a_wheel_over_two_bands_on_a_colour_camera(name, figure):
    one = ratio(of_lines(), name)
    assert one.low < figure < one.high
    assert one.ratio == pytest.approx(figure, rel=0.05)


def test_both_lines_together():
    """Root of the sum of squares, 1.49."""
    values = np.array([ratio(of_lines(), name).values for name in ("halpha", "oiii")])
    first, second = np.sqrt((values**2).sum(axis=0))
    assert second / first == pytest.approx(1.49, rel=0.05)


def test_halpha_over_a_camera_that_is_weak_in_red():
    one = ratio(of_lines("slr-16mp"), "halpha")
    assert one.low < 3.3 < one.high
    assert one.ratio == pytest.approx(3.3, rel=0.15)


def test_all_light_with_l_r_g_b_over_a_colour_camera():
    one = ratio(of_light(), "all light")
    assert one.low < 1.24 < one.high


@pytest.mark.parametrize(("name", "figure"), [("red", 0.81), ("blue", 0.78)])
def test_colours_as_counted(name, figure):
    colour, wheel = (side.course.channels for side in of_light().sides)
    assert wheel[f"wheel-{name}"] / colour[name] == pytest.approx(figure, rel=0.1)


def test_green_as_counted_through_a_filter_of_70_nm():
    """0.45; which filter it was is not known. One of 90 nm, as others of the wheel are wide, gives more."""
    narrow = (535.0, 70.0)
    colour, wheel = (side.course.channels for side in of_light(narrow).sides)
    assert wheel[str(narrow)] / colour["green"] == pytest.approx(0.45, rel=0.05)
    colour, wheel = (side.course.channels for side in of_light().sides)
    assert 0.45 < wheel["wheel-green"] / colour["green"] < 0.6
