"""Figures and lines of a measured camera: points that are those of the numbers, and words that can be read."""

from __future__ import annotations

import re

import numpy as np
import pytest

from drawn_figures import assert_readable, captured, words_of
from fourlight.report import figure_dark, figure_transfer
from fourlight.report.camera import measured_lines
from fourlight.report.figure_dark import dark_figure, defects_figure
from fourlight.report.figure_style import DARK, LIGHT, NARROW, WIDE
from fourlight.report.figure_transfer import linearity_figure, transfer_figure

PLACES = ("R", "G1", "G2", "B")
GAINS = (2.0, 1.8, 2.1, 2.25)
"""e/ADU by place."""


def quantity(value, error=0.01, unit="e", bound=""):
    return {"value": value, "error": error, "unit": unit, "frames": 12, "bound": bound}


def curve(level, gain):
    points = [
        {"level": x, "variance": x / gain + 4.1, "light": x / gain, "error": 0.004 * x, "samples": 900,
         "used": x < 20000}
        for x in level
    ]  # fmt: skip
    return {"points": points, "gain": gain, "dark_variance": 4.1, "saturation": 29000.0, "reached": True}


def facts(places=PLACES, law=True, temperatures=(-20.0, -10.0, 0.0)):
    """An invented camera of 2 e/ADU."""
    level = np.geomspace(50.0, 30000.0, 14)
    deviation = 0.002 * np.sin(np.arange(14))
    curves = {name: curve(level, gain) for name, gain in zip(places, GAINS, strict=False)}
    line = {
        "exposure_s": level.tolist(), "level": level.tolist(), "deviation": deviation.tolist(),
        "error": [0.0003] * 14, "inside": (level > 1500).tolist(),
    }  # fmt: skip
    currents = [
        {"temperature_c": t, "exposure_s": 300.0, "frames": 6, "usual": {"value": 0.01 * 2 ** (t / 7), "error": 1e-4},
         "mean": {"value": 0.012 * 2 ** (t / 7), "error": 1e-4}, "scatter": None}
        for t in temperatures
    ]  # fmt: skip
    told = {
        "reference_c": -10.0, "current": 0.01 * 2 ** (-10 / 7), "current_error": 1e-4, "doubling_k": 7.0,
        "doubling_error_k": 0.1, "energy_ev": 0.68, "energy_error_ev": 0.01, "misfit": [1.0, 30.0], "freedom": 1,
    }  # fmt: skip
    return {
        "camera": {"name": "bench", "width_px": 60, "height_px": 40, "mosaic": "RGGB" if places == PLACES else "",
                   "gain_setting": 100.0, "offset_setting": None, "temperature_c": -10.0},
        "counts": {"flats": 28, "flat_pairs": 14, "bias": 12, "bias_pairs": 6, "darks": 18, "prnu_flats": 2},
        "quantities": {
            "gain": quantity(2.0, 0.004, "e/ADU"), "read_noise": quantity(4.0), "full_well": quantity(58000.0, 300.0),
            "linearity_lowest": quantity(-0.2, 0.03, "%"), "linearity_highest": quantity(0.2, 0.03, "%"),
            "dark_current": quantity(0.002, 0.001, "e/s", "at most"), "defects_hot": quantity(31.0, 5.6, "samples"),
        },
        "places": {name: {"gain": quantity(curves[name]["gain"], 0.01, "e/ADU")} for name in places},
        "curves": curves,
        "linearity": dict.fromkeys(places, line),
        "currents": currents,
        "law": told if law else None,
        "missing": {} if law else {"dark_law": "darks of two or more temperatures (1 found)"},
        "notes": ["the lamp drifts"],
    }  # fmt: skip


@pytest.fixture
def made(monkeypatch):
    """Figures that are made."""
    one, other = captured(monkeypatch, figure_transfer), captured(monkeypatch, figure_dark)
    return lambda: [*one, *other]


@pytest.mark.parametrize("look", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.parametrize("width", [WIDE, NARROW])
@pytest.mark.parametrize("places", [PLACES, ("r0c0", "r0c1", "r1c0", "r1c1")], ids=["colours", "places"])
@pytest.mark.parametrize("draw", [transfer_figure, linearity_figure, dark_figure])
def test_words_can_be_read(made, draw, places, width, look):
    drawn = draw(facts(places), width=width, look=look)
    (figure,) = made()
    assert_readable(figure)
    assert drawn.png.startswith(b"\x89PNG")
    assert drawn.words


@pytest.mark.parametrize("width", [WIDE, NARROW])
def test_words_of_the_map_of_defects_can_be_read(made, width):
    defects = np.zeros((400, 600), dtype=np.uint8)
    defects[30, 50], defects[200, 10], defects[7, 500] = 1, 2, 5
    defects_figure(defects, facts(), width=width)
    (figure,) = made()
    assert_readable(figure)
    assert {"hot: 2", "cold: 1", "unsteady: 1"} <= {text for text, _, _ in words_of(figure)}
    marks = {line.get_label(): np.array(line.get_data()).T.tolist() for line in figure.axes[0].lines}
    assert marks["cold: 1"] == [[10, 200]]


@pytest.mark.parametrize("width", [WIDE, NARROW])
@pytest.mark.parametrize("size", [1e-3, 0.35, 1.0, 40.0])
@pytest.mark.parametrize("temperatures", [(-10.0,), (-10.0, -5.0)])
def test_dark_currents_within_a_power_of_ten_stand_at_an_axis_with_numbers(made, temperatures, size, width):
    told = facts(law=False, temperatures=temperatures)
    for current in told["currents"]:
        for key in ("usual", "mean"):
            current[key] = {name: size * value for name, value in current[key].items()}
    dark_figure(told, width=width)
    (figure,) = made()
    assert_readable(figure)
    (axes,) = figure.axes
    low, high = axes.get_ylim()
    ticks = axes.get_yticks()
    assert len(ticks) >= 2
    assert all(low <= tick <= high for tick in ticks)
    power = re.search(r"10\^\{(-?\d+)\}", axes.get_ylabel())
    told_as = [float(label.get_text()) for label in axes.get_yticklabels()]
    assert np.array(told_as) * 10.0 ** int(power[1] if power else 0) == pytest.approx(ticks)


def test_points_and_line_are_those_of_the_numbers(made):
    told = facts()
    transfer_figure(told)
    upper = made()[0].axes[0]
    for place, name, mark, gain in zip(
        PLACES, ("Red", "Green 1", "Green 2", "Blue"), "osD^", GAINS, strict=True
    ):
        (line,) = [each for each in upper.lines if each.get_label() == name]
        x, y = line.get_data()
        assert np.interp(1000.0, x, y) == pytest.approx(1000.0 / gain + 4.1, rel=1e-3)
        points = np.concatenate([each.get_ydata() for each in upper.lines if each.get_marker() == mark])
        assert sorted(points) == pytest.approx(sorted(p["variance"] for p in told["curves"][place]["points"]))


def test_no_mark_below_the_line_is_cut(made):
    """Two points lie 2.1 % below, with bars of 0.8 %; a full one lies 70 % below and is not on the picture."""
    told = facts()
    points = told["curves"]["R"]["points"]
    for point in points[8:10]:
        point["light"] *= 0.979
    points[-1]["light"] *= 0.3
    transfer_figure(told)
    lower = made()[0].axes[1]
    low, high = lower.get_ylim()
    bars = np.concatenate([s for each in lower.collections for s in each.get_segments()])
    assert bars[:, 1].min() == pytest.approx(-2.1 - 0.8 * 0.979, abs=0.03)
    assert low < bars[:, 1].min()
    assert bars[:, 1].max() < high


def test_the_law_goes_through_its_current(made):
    dark_figure(facts())
    axes = made()[0].axes[0]
    for name in ("doubling law", "activation energy"):
        (line,) = [each for each in axes.lines if each.get_label() == name]
        x, y = line.get_data()
        assert np.exp(np.interp(-10.0, x, np.log(y))) == pytest.approx(0.01 * 2 ** (-10 / 7), rel=1e-3)


def test_one_temperature_has_no_law(made):
    dark_figure(facts(law=False, temperatures=(-10.0,)))
    said = " ".join(text for text, _, _ in words_of(made()[0])).replace("\n", " ")
    assert "No law of temperature: it needs darks of two or more temperatures (1 found)" in said
    assert "doubling" not in said


def test_lines_say_every_number_with_its_error():
    lines = [" ".join(line.split()) for line in measured_lines(facts())]
    assert "camera bench, 60 x 40, RGGB, gain setting 100, bias frames at -10 C" in lines
    assert "frames 28 flats (14 pairs), 12 bias frames (6 pairs), 18 darks" in lines
    assert "gain 2.000 +- 0.004 e/ADU 12" in lines
    assert "dark current of ordinary samples at most 0.0020 +- 0.0010 e/s 12" in lines
    assert "hot samples 31 samples 12" in lines
    assert "by colour R G1 G2 B" in lines
    assert lines[-1] == "to know: The lamp drifts."
