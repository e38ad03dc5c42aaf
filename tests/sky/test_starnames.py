"""Names of bright stars against the IAU Catalog of Star Names (Working Group on Star Names, list of 2022-04-04)."""

from __future__ import annotations

import numpy as np
import pytest

from fourlight.sky.catalogue import all_stars, cone
from fourlight.sky.starnames import NAMED, names

LISTED = {
    "Rigil Kentaurus": (219.902, -60.834), "Wezen": (107.098, -26.393), "Miaplacidus": (138.300, -69.717),
    "Alnair": (332.058, -46.961), "Kaus Australis": (276.043, -34.385), "Sargas": (264.330, -42.998),
    "Alhena": (99.428, 16.399), "Dschubba": (240.083, -22.622), "Sirius": (101.287, -16.716),
}  # fmt: skip
"""Names and places, degrees, of that list."""
NAMELESS = 50
"""Stars of V < 3 without a name there, or fainter parts of double stars that have one."""


@pytest.mark.parametrize("name", LISTED)
def test_the_brightest_star_at_a_place_has_its_name(name):
    assert names(cone(*LISTED[name], 0.1, faintest=4.0))[0] == name


def test_both_stars_of_alpha_centauri_have_their_names():
    """Also in 2035: they move by 3.7 arcsec a year."""
    for epoch in (2000.0, 2035.0):
        assert names(cone(219.90, -60.835, 0.2, faintest=3.0, epoch=epoch))[:2] == [
            "Rigil Kentaurus",
            "Toliman",
        ]


def test_most_stars_to_third_magnitude_are_named_and_no_name_is_borne_twice():
    bright = all_stars(epoch=2000.0)
    bright = bright.chosen(np.flatnonzero(bright.v_mag < 3.0))
    found = [name for name in names(bright) if not name.startswith("J")]
    assert len(set(found)) == len(found)
    assert len(found) >= len(bright) - NAMELESS
    assert len({name for name, _, _ in NAMED}) == len(NAMED)
