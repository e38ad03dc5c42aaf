"""Figures of cameras and filters: curves that are those of the numbers, and words that can be read."""

from __future__ import annotations

import io
from xml.etree import ElementTree

import numpy as np
import pytest
from PIL import Image

from drawn_figures import assert_readable, words_of
from fourlight.core.spectra import LINES_NM
from fourlight.report import figure_response
from fourlight.report.figure_response import camera_figure, filter_figure
from fourlight.report.figure_style import DARK, LIGHT, NARROW, WIDE, Drawn
from fourlight.sensor.filters import FILTERS, Band, Beam, Filter
from fourlight.sensor.lightpath import LightPath, of_line
from fourlight.sensor.response import Response
from fourlight.sensor.sensors import names, sensor


@pytest.fixture
def made(monkeypatch):
    """Figures that are made, without their files."""
    figures = []

    def keep(figure, words):
        figures.append(figure)
        return Drawn(b"", b"", words)

    monkeypatch.setattr(figure_response, "files", keep)
    return figures


@pytest.mark.parametrize("width", [WIDE, NARROW])
@pytest.mark.parametrize("chosen", ["none", "dual-3nm", "dual-wide", "tri-band"])
def test_words_of_a_camera_behind_each_filter_can_be_read(made, chosen, width):
    camera_figure(LightPath(sensor("generic"), FILTERS[chosen], Beam(4.0)), width=width)
    assert_readable(made[0])
    words = {text for text, _, _ in words_of(made[0])}
    assert {"Red", "Green", "Blue", "Hβ", "[OIII]", "Hα [NII]", "[SII]"} <= words


@pytest.mark.parametrize("width", [WIDE, NARROW])
@pytest.mark.parametrize("chosen", sorted(FILTERS))
@pytest.mark.parametrize("beam", [None, Beam(2.2, 0.3)], ids=["straight", "beam"])
def test_words_of_each_filter_can_be_read(made, chosen, beam, width):
    filter_figure(FILTERS[chosen], beam, width=width)
    assert_readable(made[0])


@pytest.mark.parametrize("name", names())
def test_every_camera_can_be_drawn_with_two_greens_too(made, name):
    camera_figure(LightPath(sensor(name).seen_by(("R", "G1", "G2", "B"))), width=NARROW, look=DARK)
    assert_readable(made[0])


def test_curves_are_those_of_the_camera(made):
    path = LightPath(sensor("bsi-8mp"), FILTERS["dual-wide"])
    camera_figure(path)
    (axes,) = made[0].axes
    drawn = [line for line in axes.lines if line.get_label() in ("Red", "Green", "Blue")]
    assert len(drawn) == 3
    for line, told in zip(drawn, of_line(path, LINES_NM["oiii"]).values, strict=True):
        wave, value = line.get_data()
        assert np.interp(LINES_NM["oiii"], wave, value) == pytest.approx(told, abs=1e-3)


def test_a_line_in_the_beam_is_marked_where_the_beam_has_it(made):
    beam = Beam(2.8)
    filter_figure(FILTERS["dual-3nm"], beam)
    marks = {}
    for axes in made[0].axes:
        for line in axes.lines:
            if line.get_marker() == "o":
                marks[round(float(line.get_xdata()[0]), 2)] = float(line.get_ydata()[0])
    assert marks[656.28] == pytest.approx(float(FILTERS["dual-3nm"].at(656.28, beam)))
    assert marks[500.68] == pytest.approx(float(FILTERS["dual-3nm"].at(500.68, beam)))


def test_files_hold_the_size_that_was_asked_for():
    drawn = camera_figure(LightPath(sensor("bsi-5mp")), width=NARROW, look=LIGHT)
    with Image.open(io.BytesIO(drawn.png)) as picture:
        assert picture.width == 2 * NARROW
    assert ElementTree.fromstring(drawn.svg).tag.endswith("svg")
    assert "bsi-5mp" in drawn.words


@pytest.mark.parametrize(
    "chosen",
    [
        Filter("outside", (Band(1000.0, 20.0),)),
        Filter("many", tuple(Band(centre, 5.0) for centre in (450.0, 500.0, 550.0, 600.0, 650.0))),
        Filter("very narrow", (Band(656.3, 0.5),)),
    ],
)
def test_odd_filters_are_drawn(made, chosen):
    filter_figure(chosen)
    camera_figure(LightPath(sensor("generic"), chosen))
    for figure in made:
        assert_readable(figure)


def test_a_short_curve_is_drawn_with_the_lines_it_holds(made):
    wave = np.arange(470.0, 560.0)
    short = Response("short", wave, np.full((3, wave.size), 0.4), "absolute", "made up")
    camera_figure(LightPath(short))
    words = {text for text, _, _ in words_of(made[0])}
    assert "[OIII]" in words
    assert "[SII]" not in words
