"""A sensor without dyes: its curve is never below what a colour counts, and its errors are those of the colours."""

from __future__ import annotations

import numpy as np
import pytest

from fourlight.errors import InputError
from fourlight.sensor.chip import Chip
from fourlight.sensor.filters import named_filter
from fourlight.sensor.mono import without_dyes
from fourlight.sensor.optics import Optics
from fourlight.sensor.response import MONO, Response
from fourlight.sensor.rig import Rig
from fourlight.sensor.sensors import names, sensor


@pytest.mark.parametrize("name", names())
def test_the_outline_lies_on_or_above_every_colour(name):
    colours = sensor(name)
    mono = without_dyes(colours, 1.0)
    assert (mono.curves[0] >= colours.curves.max(axis=0) - 1e-12).all()
    assert mono.curves.max() == pytest.approx(1.0), "the highest value of all colours"
    assert mono.channels == MONO
    tops = np.sort(colours.curves.argmax(axis=1))
    outside = np.r_[0 : tops[0] + 1, tops[-1] : len(colours.wave_nm)]
    assert mono.curves[0, outside] == pytest.approx(colours.curves.max(axis=0)[outside])


def test_dyes_that_pass_nothing_of_others_leave_the_sensor_they_stand_on():
    """A made-up sensor behind dyes of known transmission comes back where one dye passes most, to its 90 %."""
    wave = np.arange(400.0, 701.0)
    bare = 0.9 - 3e-6 * (wave - 540.0) ** 2
    dyes = 0.9 * np.array([
        1 / (1 + np.exp((585.0 - wave) / 5)), np.exp(-0.5 * ((wave - 535.0) / 38.0) ** 4),
        1 / (1 + np.exp((wave - 490.0) / 5)),
    ])  # fmt: skip
    found = without_dyes(Response("x", wave, bare * dyes, "absolute", "made up"), 0.9)
    assert found.curves[0] == pytest.approx(bare, rel=0.02)


def test_errors_of_colours_are_those_of_the_sensor():
    colours = sensor("bsi-8mp")
    mono = without_dyes(colours)
    shifted = Response("x", colours.wave_nm, colours.curves * 1.05, "relative", "x", colours.modes)
    assert without_dyes(shifted).curves == pytest.approx(1.05 * mono.curves)
    at = np.array([656.0])
    assert mono.modes_at(at)[:, 0, 0] == pytest.approx(colours.modes_at(at)[:, 0, 0] / 0.9)


def test_a_rig_without_dyes_counts_through_all_of_its_pixels():
    """Behind a filter that red alone sees, four pixels of the mosaic count a quarter, but for what dyes hold back."""
    chip, optics, narrow = Chip(), Optics(400.0, 80.0), named_filter("halpha-7nm")
    colour = Rig(sensor("bsi-8mp"), narrow, optics, chip)
    mono = Rig(without_dyes(sensor("bsi-8mp"), 0.9), narrow, optics, chip)
    assert mono.samples.tolist() == [1.0]
    red = colour.line_rates({"halpha": 10.0})[0, 0] * colour.samples[0]
    assert mono.line_rates({"halpha": 10.0})[0, 0] * mono.samples[0] == pytest.approx(4 * red / 0.9)


@pytest.mark.parametrize("share", [0.0, 1.2])
def test_dyes_that_cannot_be_are_refused(share):
    with pytest.raises(InputError, match="at most 1"):
        without_dyes(sensor("bsi-8mp"), share)
