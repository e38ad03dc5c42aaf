"""What the page says of the mosaic: header, pixels, how sure, and a setting that the program takes."""

import numpy as np
import pytest

from fourlight.core.cfa import PATTERNS, plane_map
from fourlight.recipe import Recipe, with_settings
from fourlight.report.mosaic import SWAPPED, hint, mosaic
from fourlight.report.page import page
from invented_run import summary
from parsed_page import parsed


def facts(**changed):
    return {"mosaic": {**summary()["mosaic"], **changed}}


def test_header_pixels_and_sureness_are_shown():
    rows = dict(mosaic(summary())["mosaic"])
    assert rows["In use"] == "GBRG, which the pixels show, against the header."
    assert rows["The header says"] == "RGGB (BAYERPAT)."
    assert rows["The pixels say"].startswith("The greens lie on [0,0] and [1,1] at 88 sigma")
    assert rows["How sure this is"] == (
        "The places of the greens are sure to 88 sigma (5 are enough); which of the other two is red is assumed."
    )


def test_every_sentence_ends_with_a_full_stop():
    said = mosaic(summary())
    assert all(text.endswith(".") for _, text in said["mosaic"])
    assert said["contradiction"].endswith("GBRG.")


def test_a_contradiction_comes_with_settings_that_the_program_takes():
    choices = [setting for setting, _ in mosaic(summary())["overrule"]]
    assert [with_settings(Recipe(), [setting]).read.mosaic for setting in choices] == ["RGGB", "GRBG"]
    text = parsed(page(summary(), np.zeros((4, 4, 3), np.float32), {}, {})).text
    assert text.count("--set read.mosaic=RGGB , which follows the header") == 2


@pytest.mark.parametrize("pattern", PATTERNS)
def test_swapped_patterns_keep_the_greens_and_exchange_red_and_blue(pattern):
    here, there = plane_map(pattern), plane_map(SWAPPED[pattern])
    np.testing.assert_array_equal(here == 0, there == 3)
    np.testing.assert_array_equal(here == 3, there == 0)


@pytest.mark.parametrize(
    ("changed", "sure", "settings"),
    [
        (
            {"source": "BAYERPAT", "stated": "GBRG", "contradiction": None},
            "rests on the header alone",
            ["read.mosaic=GRBG"],
        ),
        ({"source": "assumed", "stated": None, "contradiction": None}, "is a guess", ["read.mosaic=GRBG"]),
        ({"source": "recipe", "pattern": "RGGB"}, "speak against the greens of RGGB", ["read.mosaic=auto"]),
        (
            {"source": "BAYERPAT", "sigma": None, "contradiction": None},
            "do not tell the greens",
            ["read.mosaic=GRBG"],
        ),
    ],
)
def test_each_origin_has_its_own_words(changed, sure, settings):
    said = mosaic(facts(**changed))
    assert sure in dict(said["mosaic"])["How sure this is"]
    assert [setting for setting, _ in said["overrule"]] == settings


def test_the_terminal_names_settings_only_where_the_pattern_is_in_doubt():
    assert "read.mosaic=GRBG" in hint(summary())
    assert hint(facts(source="BAYERPAT", stated="GBRG", contradiction=None)) == ""
    assert "assumed" in hint(facts(source="assumed", stated=None, contradiction=None))


def test_catalogue_stars_settle_which_is_red():
    """Then nothing is assumed, and the terminal needs no hint; where they are not known, that is said."""
    told = {"sentence": "GBRG is right", "shown": "GBRG"}
    rows = dict(mosaic({**summary(), "colour": {"mosaic": told}})["mosaic"])
    assert rows["Catalogue stars say"] == "GBRG is right."
    assert rows["How sure this is"].endswith("follows from the colours of catalogue stars.")
    assert hint({**summary(), "colour": {"mosaic": told}}) == ""
    doubted = facts(contradiction=f"{summary()['mosaic']['contradiction']}; that red follows is assumed")
    settled = mosaic({**summary(), **doubted, "colour": {"mosaic": told}})
    assert settled["contradiction"].endswith("GBRG is right.")
    assert "assumed" not in settled["contradiction"]
    assert settled["overrule"] == [], "nobody is told what to do if the colours look wrong: they are right"
    guessed = facts(source="assumed", stated=None, contradiction=None)
    assert dict(mosaic(guessed)["mosaic"])["In use"] == "GBRG, assumed, for no header states a pattern."
    shown = dict(mosaic({**guessed, "colour": {"mosaic": told}})["mosaic"])["In use"]
    assert shown == "GBRG, which catalogue stars show to be right; no header states a pattern."
    against = {"sentence": "the mosaic is GRBG, not GBRG", "shown": "GRBG"}
    assert "read.mosaic=GRBG" in hint({**summary(), "colour": {"mosaic": against}})
    assert dict(mosaic(summary())["mosaic"])["Catalogue stars say"].startswith("Nothing: they are not known")
