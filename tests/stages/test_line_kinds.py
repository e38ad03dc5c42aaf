"""Which kinds of light are told, and what is said of the others."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from fourlight.errors import InputError
from fourlight.sensor.filters import in_bands, named_filter
from fourlight.sensor.lightpath import LightPath
from fourlight.sensor.response import Response
from fourlight.sensor.sensors import sensor
from fourlight.stages.line_kinds import LightSet, choose_kinds, passed_lines, units_of
from line_stacks import dual

NOISE = np.array([9.0, 4.0, 5.0])
BROAD = LightPath(sensor("bsi-8mp"), named_filter("uv-ir-cut"))


def reasons(told):
    return dict(told.reasons)


def test_continuum_cannot_be_told_from_two_bands_alone():
    """Own prototype: variance times 10^6 or more."""
    told = choose_kinds([LightSet(dual(), NOISE)])
    assert told.lines == ("halpha", "oiii")
    grown = re.search("noise of continuum would be ([0-9,]+) times as large", reasons(told)["continuum"])
    assert grown is not None
    assert float(grown[1].replace(",", "")) ** 2 >= 1e6
    assert (told.inflation < 1.3).all(), "own prototype: 1.09 for other curves"


def test_a_broadband_stack_tells_continuum_and_its_colour():
    told = choose_kinds([LightSet(dual(), NOISE), LightSet(BROAD, 10 * NOISE, 0.2, 0.02)])
    assert told.columns == ("halpha", "oiii", "continuum", "tilt")
    assert told.lines == ("halpha", "oiii", "continuum")
    assert told.reasons == ()
    # own prototype: 0.835 of the signal over noise that it would have were continuum known: variance times 1.43
    assert (told.inflation < 3.0).all()
    assert told.matrix.shape == (6, 4)


def test_the_scale_of_a_second_set_may_be_off():
    sets = [LightSet(dual(), NOISE), LightSet(BROAD, 10 * NOISE, 0.2, 0.1)]
    sure = [sets[0], replace(sets[1], scale_error=0.0)]
    loose, tight = (choose_kinds(each) for each in (sets, sure))
    more = (loose.modes**2).sum(axis=0) - (tight.modes**2).sum(axis=0)
    np.testing.assert_allclose(more[:3], 0.0, atol=1e-12)
    np.testing.assert_allclose(more[3:], (0.1 * loose.matrix[3:]) ** 2, rtol=1e-9)


@pytest.mark.parametrize(
    ("name", "lines", "gone", "counts"),
    [
        ("dual-sii-7nm", ("oiii", "sii"), {"continuum"}, {}),
        ("tri-band", ("halpha", "oiii"), {"hbeta", "continuum"}, {"hbeta": "halpha"}),
        (
            "quad-band",
            ("halpha", "oiii"),
            {"sii", "hbeta", "continuum"},
            {"sii": "halpha", "hbeta": "halpha"},
        ),
        ("halpha-7nm", ("halpha",), {"continuum"}, {}),
        ("oiii-7nm", ("oiii",), {"continuum"}, {}),
    ],
)
def test_lines_that_a_filter_passes_are_told_or_counted_as_another(name, lines, gone, counts):
    told = choose_kinds([LightSet(dual(name=name), NOISE)])
    assert told.lines == lines
    assert set(reasons(told)) == gone
    assert told.taken == counts


def test_a_line_that_the_camera_would_mix_up_is_not_told():
    """Channels that differ in nothing that is sure: noise alone would allow it."""
    wave = np.arange(400.0, 701.0)
    rise = (wave - 400) / 300
    curves = np.array([rise, np.full_like(rise, 0.5), 1 - rise])
    modes = 1.5 * curves[:, None, :] * np.eye(3)[:, :, None]
    vague = Response("vague", wave, curves, "relative", "made up", modes)
    told = choose_kinds([LightSet(LightPath(vague, named_filter("dual-7nm")), NOISE)])
    assert told.lines == ("halpha",)
    assert "what is not known of the camera would put" in reasons(told)["oiii"]


def test_a_filter_that_passes_no_line_is_refused():
    with pytest.raises(InputError, match="passes none of Hα"):
        passed_lines(LightPath(sensor("bsi-8mp"), in_bands([(550.0, 20.0)])))


def test_a_curve_that_does_not_reach_a_line_is_refused():
    wave = np.arange(400.0, 601.0)
    short = Response("short", wave, np.full((3, wave.size), 0.5), "absolute", "made up")
    with pytest.raises(InputError, match="nm lies outside; name a camera whose curve holds it"):
        choose_kinds([LightSet(LightPath(short, named_filter("dual-7nm")), NOISE)])


def test_a_curve_need_not_reach_lines_that_the_filter_holds_back():
    """[SII] lies beyond 670 nm; behind a filter of 7 nm on Hα no light of it comes."""
    wave = np.arange(400.0, 671.0)
    camera = replace(
        sensor("bsi-8mp"), wave_nm=wave, curves=sensor("bsi-8mp").at(wave), modes=np.zeros((0, 3, wave.size))
    )
    told = choose_kinds([LightSet(LightPath(camera, named_filter("dual-7nm")), NOISE)])
    assert told.lines == ("halpha", "oiii")


def test_units_are_electrons_of_a_mean_sample():
    """One red, two green, one blue in four samples."""
    matrix = np.array([[0.8, 0.1, 5.0], [0.2, 0.9, 1.0], [0.1, 0.5, -6.0]])
    np.testing.assert_allclose(units_of(matrix, ("halpha", "oiii", "tilt")), [0.325, 0.6, 1.0])


def test_a_second_narrow_filter_adds_its_lines():
    """Hα and [OIII] through one filter, [SII] and [OIII] through the other: three lines from six channels."""
    told = choose_kinds([LightSet(dual(), NOISE), LightSet(dual(name="dual-sii-7nm"), NOISE, 0.8, 0.01)])
    assert told.lines == ("halpha", "oiii", "sii")
    assert (told.inflation < 1.5).all()
    assert told.seats.tolist() == [0, 0, 1], "[SII] is told in electrons of the stack that sees it"
    np.testing.assert_allclose(told.units[2], np.array([0.25, 0.5, 0.25]) @ told.matrix[3:, 2])
    assert told.units[2] > 0.05


def test_a_broadband_filter_adds_no_line():
    """It passes all of them, and tells none."""
    told = choose_kinds([LightSet(dual(), NOISE), LightSet(BROAD, NOISE, 0.2, 0.02)])
    assert "sii" not in told.lines
    assert "hbeta" not in told.lines
