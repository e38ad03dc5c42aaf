"""Names that users gave their files and filters are printed as they are; only the words around them are typeset."""

import numpy as np
import pytest

from fourlight.report.page import page
from fourlight.report.words import sentence, typeset
from invented_run import provenance, summary
from parsed_page import parsed

NAMES = (
    "M31 x 2.fits",
    "2 x 2.fits",
    "dim 180 s -10 C.fits",
    "50 % moon.fits",
    "a +- b.fits",
    "dim one.fits",
    "x 3.fits",
    "[1] x 2.fits",
)


@pytest.mark.parametrize("name", NAMES)
def test_a_name_stays_and_the_words_around_it_are_set(name):
    text = sentence(f"{name}: flat is dark (2 x 2 cell, -10 C, 3 % off, 0.8 +- 0.1)", NAMES)
    assert typeset(text, NAMES) == (f"{name}: flat is dark (2 × 2 cell, −10 °C, 3\u00a0% off, 0.8 ± 0.1).")


@pytest.mark.parametrize("name", NAMES)
def test_a_file_is_called_the_same_everywhere_on_the_page(name):
    """A usable flat stands in the record of inputs alone, a light among the frames, a filter in a frame."""
    facts, record = summary(), provenance()
    record["inputs"] = {f"/nights/{name}": "0" * 64}
    facts["frames"][0]["filter"] = "dual 7 x 3 nm"
    facts["calibration"]["notes"] = [f"{name}: flat is dark.", "6 flats (dual 7 x 3 nm): at 0.5 +- 0.1."]
    text = parsed(page(facts, np.zeros((4, 4, 3), np.float32), {}, record)).text
    assert f"{name}: flat is dark." in text
    assert "6 flats (dual 7 x 3 nm): at 0.5 ± 0.1." in text


def test_a_number_inside_a_word_is_no_factor():
    assert typeset("camera M31 x 2 instead of size 300 x 200") == "camera M31 x 2 instead of size 300 × 200"
