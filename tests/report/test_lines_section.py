"""The section on lines: every number that is told stands in it, and nothing where there are no lines."""

from __future__ import annotations

import numpy as np
import pytest
from PIL import Image

from fourlight.report.lines import lines_section


def share(value, half=0.02):
    return {"value": value, "low": value - half, "high": value + half}


@pytest.fixture
def facts():
    kind = {
        "unit": "electron", "factor": 1.0, "per_photon": None, "light": 6.7, "noise": 1.2, "inflation": 1.21,
        "scale_error": 0.022, "sky_error": 0.015, "noise_correlation": 0.9,
    }  # fmt: skip
    leak = {"halpha": {"halpha": 0.022, "oiii": 0.005}, "oiii": {"halpha": 0.013, "oiii": 0.004}}
    return {
        "camera": "bsi-8mp",
        "filter": "dual-7nm",
        "broadband": None,
        "kinds": {
            "halpha": {"name": "Hα", **kind},
            "oiii": {"name": "[OIII]", **kind, "unit": "rayleigh"},
        },
        "leak": leak,
        "information": {
            "halpha": {"R": share(0.9), "G": share(0.08), "B": share(0.02)},
            "oiii": {"R": share(0.002, 0.001), "G": share(0.84), "B": share(0.16)},
        },
        "without_green": {"halpha": share(0.99, 0.005), "oiii": share(0.42)},
        "recipes": [
            {
                "name": "red as it is, blue alone",
                "leak": {"halpha": {"oiii": share(0.067)}, "oiii": {"halpha": share(0.22)}},
                "noise": {"halpha": 0.98, "oiii": 2.32},
            }
        ],
        "pictures": [{"name": "hoo", "title": "HOO", "words": "Hα in red"}],
        "doubts": ["The headers name another filter."],
        "notes": ["Hα and [OIII] told apart"],
        "assumptions": ["[NII] counts with Hα"],
    }


def test_no_lines_no_section():
    assert not lines_section(None, None)["lines"]


def test_numbers_are_told_with_their_units_and_intervals(facts, tmp_path):
    shown = lines_section(facts, tmp_path)
    halpha, oiii = shown["lines"]
    assert (halpha["light"], oiii["light"]) == ("6.70 e⁻", "6.70 R")
    assert halpha["cost"] == "1.10", "in noise, not in variance"
    assert halpha["scale"] == "2.2 %"
    assert shown["line_shares"][1]["cells"][1] == "84 ± 2 %"
    assert shown["line_shares"][1]["left"] == "0.42 ± 0.02"
    (table,) = shown["line_recipes"]
    assert table["heads"] == [
        "[OIII] told as Hα", "Hα told as [OIII]", "Noise of Hα", "Noise of [OIII]",
    ]  # fmt: skip
    ours, blue = table["rows"]
    assert ours["leaks"] == ["0 ± 1.0 %", "0 ± 2.5 %"], "95 %: 1.96 standard deviations"
    assert blue["leaks"][1] == "22.0 ± 2.0 %"
    assert blue["noise"] == ["0.98", "2.32"]
    assert shown["line_views"] == [], "no picture lies there"


def test_pictures_are_part_of_the_page_however_large(facts, tmp_path, monkeypatch):
    monkeypatch.setattr(Image, "MAX_IMAGE_PIXELS", 600)  # of which Pillow refuses twice as many
    Image.fromarray(np.full((40, 60, 3), 90, np.uint8)).save(tmp_path / "hoo.jpg")
    (view,) = lines_section(facts, tmp_path)["line_views"]
    assert view["address"].startswith("data:image/jpeg;base64,")
    assert view["title"] == "HOO"


def test_a_line_of_another_stack_is_no_part_of_recipes(facts):
    facts["kinds"]["sii"] = {**facts["kinds"]["oiii"], "name": "[SII]"}
    facts["leak"] = {to: dict.fromkeys(("halpha", "oiii", "sii"), 0.01) for to in ("halpha", "oiii", "sii")}
    shown = lines_section(facts, None)
    assert len(shown["line_recipes"][0]["heads"]) == 4
    assert len(shown["line_leaks"]) == 3


def test_a_recipe_that_takes_nothing_of_a_line_says_so(facts):
    """Blue alone, of a camera whose curve of blue is zero there: infinite, which JSON files hold as null."""
    nothing = {"value": None, "low": None, "high": None}
    facts["recipes"][0] |= {
        "leak": {"halpha": {"oiii": share(0.067)}, "oiii": {"halpha": nothing}},
        "noise": {"halpha": 0.98, "oiii": None},
    }
    (_, blue) = lines_section(facts, None)["line_recipes"][0]["rows"]
    assert blue["leaks"] == ["6.7 ± 2.0 %", "takes no [OIII]"]
    assert blue["noise"] == ["0.98", "takes no [OIII]"]


def test_continuum_is_told_and_has_no_leak_of_lines(facts):
    facts["kinds"]["continuum"] = {**facts["kinds"]["halpha"], "name": "continuum", "sky_error": None}
    shown = lines_section(facts, None)
    assert [row["name"] for row in shown["lines"]] == ["Hα", "[OIII]", "Continuum"]
    assert shown["lines"][2]["sky"] == "not known"
    assert shown["line_names"] == ["Hα", "[OIII]"]


def test_the_error_of_the_sky_says_where_light_that_fills_the_field_is_not_in_it(facts):
    """Of simulated fields that faint light fills, levels were off by 0.4 to 1.3 electrons where 0.025 was told."""
    assert lines_section(facts, None)["line_sky"] == "standard error, the same for all pixels"
    said = lines_section({**facts, "filled": True}, None)["line_sky"]
    assert "darkest parts alone" in said
    assert "light that fills the field is not in it" in said
