"""The two numbers that are a sky level are never called by one name."""

import re

import numpy as np

from fourlight.report.page import page
from invented_run import summary
from parsed_page import parsed


def test_each_sky_level_says_whose_it_is():
    made = page(summary(), np.zeros((4, 4, 3), np.float32), {}, {})
    heads = re.findall(r"<t?h\d?[^>]*>(Sky[^<]*)<", made)
    assert [head.strip(", ") for head in heads] == [
        "Sky level in the stack",
        "Sky level in each sub, e⁻ per pixel",
        "Sky level in the sub, G",
    ]
    assert "the reference frame lantern_003.fits" in parsed(made).text
