"""Star colours in words and as a figure: every number with its error and unit, and reasons for what is missing."""

import copy
import io

import numpy as np
import pytest
from PIL import Image

from drawn_figures import captured
from fourlight.core.cfa import PLANES
from fourlight.report import figure_colours
from fourlight.report.colourwords import colour_lines, colour_words
from fourlight.report.figure_colours import colours_figure
from fourlight.report.figure_style import DARK, NARROW, WIDE
from fourlight.report.page import page
from fourlight.sky.starcolours import standard_colours
from fourlight.stages.colour_calibration import calibrate
from fourlight.stages.star_fluxes import StarFluxes
from invented_run import summary
from parsed_page import parsed

POINT = {
    "magnitude": 20.1234, "error": 0.0123, "system_error": 0.02, "scatter": 0.07, "colour_term": -0.03,
    "colour_term_error": 0.01,
}  # fmt: skip
COLOUR = {
    "stars": {"found": 90, "full": 7, "not_alone": 5, "good": 70, "used": 66},
    "mosaic": {"sentence": "RGGB is right", "shown": "RGGB"},
    "system": "AB magnitudes through bsi-8mp behind none",
    "unit": "electron",
    "zero_points": {"R": POINT, "G": {**POINT, "system_error": None}},
    "limits": {"R": 17.25},
    "white": {
        "b_v": 0.653, "factors": {"R": 1.2, "G": 0.8, "B": 1.0}, "error": {"R": 0.01, "G": 0.01, "B": 0.02},
        "note": "emission lines stay as they are",
    },
    "nights": [
        {
            "night": "2031-08-14", "sky": {"R": 20.5, "G": 20.9, "B": 21.3, "V": 20.9},
            "error": {"R": 0.03, "G": 0.02, "B": 0.03, "V": 0.03}, "scatter": 0.01,
            "moon": {"lit": 0.487, "separation_deg": 75.98, "altitude_deg": -12.0},
        },
    ],
    "sky_problem": None,
    "notes": ["camera not named"],
}  # fmt: skip


def test_every_number_has_its_error():
    lines = dict(colour_lines(COLOUR))
    assert lines["Colours"].startswith("66 of 90 catalogue stars (7 full, 5 with others beside them)")
    assert "R 20.123 ± 0.012" in lines["Zero points"]
    assert "electron per second" in lines["Zero points"]
    assert "R 1.200 ± 0.012, G 0.800 ± 0.008 and B 1.000 ± 0.020" in lines["White"]
    assert lines["White"].endswith("emission lines stay as they are")
    assert "V 20.90 ± 0.03 mag per square arcsec" in lines["Night"]
    assert "Moon 48.7 % lit, 76.0° away, below the horizon" in lines["Night"]


def test_reasons_stand_where_numbers_are_missing():
    told = copy.deepcopy(COLOUR)
    told["nights"][0] |= {"sky": None, "error": None}
    told["sky_problem"] = "no bias"
    lines = dict(colour_lines(told))
    assert lines["Sky"] == "No bias."
    assert lines["Night"].startswith("2031-08-14: Moon")
    short = dict(colour_lines({"mosaic": COLOUR["mosaic"], "problem": "all stars are full"}))
    assert short["Colours"] == "Not calibrated: all stars are full."
    assert colour_lines({}) == []


def test_the_page_shows_zero_points_and_nights_as_tables():
    sky = {
        "ra_deg": 83.0, "dec_deg": 20.0, "scale_arcsec_px": 2.0, "width_deg": 2.0, "height_deg": 1.0, "order": 1,
        "rotation_deg": 0.0, "mirrored": False, "stars": 90, "expected": 95, "rms_px": 0.1, "log10_chance": -50.0,
        "looked_for": "near the place that the header gives", "named": [], "objects": [],
    }  # fmt: skip
    text = parsed(
        page({**summary(), "sky": sky, "colour": COLOUR}, np.zeros((4, 4, 3), np.float32), {}, {})
    ).text
    for words in ("Colours by catalogue stars", "20.123 ± 0.012", "20.90 ± 0.03", "49 %", "76°", "17.25"):
        assert words in text
    row = colour_words({"colour": COLOUR})["zero_points"][1]
    assert (row["plane"], row["system"], row["limit"]) == ("Green", "–", "–")


def test_a_place_that_was_not_found_is_told_instead():
    text = parsed(page({**summary(), "sky_problem": "no luck"}, np.zeros((4, 4, 3), np.float32), {}, {})).text
    assert "No luck" in text
    assert "Colours by catalogue stars" not in text


@pytest.mark.parametrize(("width", "look"), [(WIDE, None), (NARROW, DARK)])
def test_figure_is_drawn_at_both_widths(width, look, monkeypatch):
    figures = captured(monkeypatch, figure_colours)
    random = np.random.default_rng(2)
    b_v, v = random.uniform(0, 1.2, 40), random.uniform(8, 10, 40)
    relation = standard_colours()
    seen = v[:, None] + relation.less_v(b_v)[:, [0, 1, 1, 2]] + 0.03 * random.standard_normal((40, 4))
    seen[0] += 1.5
    flux, ones = 10 ** (0.4 * (20 - seen)), np.ones(40)
    stars = StarFluxes(
        PLANES, ones, ones, flux, 0.01 * flux, np.zeros((4, 4)), v, 0.02 * ones, b_v, 0.02 * ones,
        np.arange(40), ones < 0, ones > 0,
    )  # fmt: skip
    found = calibrate(stars, relation, 1.0)
    drawn = colours_figure(stars, found, width=width, **({} if look is None else {"look": look}))
    with Image.open(io.BytesIO(drawn.png)) as picture:
        assert picture.width == 2 * width
    assert "39 catalogue stars; 1 more, as crosses, lie too far off to count, those at an edge" in drawn.words
    for axes in figures[0].axes[1:]:
        (cross,) = [line for line in axes.lines if line.get_marker() == "x"]
        low, high = sorted(axes.get_ylim())
        assert (np.abs(cross.get_ydata()) < 0.95 * high).all(), "whole, and not cut by the edge"
        assert low == -high
