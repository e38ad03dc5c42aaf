"""What is told and drawn of a plate solution."""

import numpy as np
import pytest
from astropy.coordinates import Angle, SkyCoord

from fourlight.core.distortion import Mapping
from fourlight.report.figure_sky import grid_steps, sky_figure
from fourlight.report.skyplace import degrees_words, sky_words, solution_lines
from fourlight.sky.catalogue import cone
from fourlight.sky.plate import PlateSolution
from fourlight.sky.starnames import NAMED, designation, names

SKY = {
    "ra_deg": 83.82, "dec_deg": -5.39, "scale_arcsec_px": 2.0, "width_deg": 0.9, "height_deg": 1.2,
    "rotation_deg": 170.0,
    "mirrored": True, "order": 3, "stars": 40, "expected": 52, "rms_px": 0.25, "log10_chance": -61.3,
    "looked_for": "the whole sky", "named": [],
}  # fmt: skip


def solution(dec, scale=4.0):
    none = np.empty(0, dtype=np.int64)
    cd = scale / 3600 * np.array([[-0.8, 0.6], [0.6, 0.8]])
    mapping = Mapping(cd, np.zeros((2, 0)), np.zeros((2, 0)), 1)
    return PlateSolution(359.8, dec, 600, 900, mapping, 9, 9, 0.1, -50.0, 2026.0, none, none)


def test_the_words_of_a_solution():
    said = dict(solution_lines(SKY))
    assert said["Field"] == "54.0′ by 1.20°"
    assert said["Orientation"] == "as shown, up is 350.00° from north towards east; as on the sky"
    assert "below 10^-61" in said["Grounds"]
    assert "0.25 px (0.5 arcsec) rms" in said["Grounds"]
    assert "order 3" in said["Distortion"]
    assert dict(solution_lines({**SKY, "order": 1, "mirrored": False}))["Orientation"].endswith("mirrored")
    assert sky_words({})["sky"] == []


@pytest.mark.parametrize(
    ("ra", "dec"), [(83.82208, -5.39111), (359.99999, 89.99999), (0.0, -0.0001), (15.0, 59.99999)]
)
def test_places_in_hours_and_degrees(ra, dec):
    """astropy reads them back: to 0.05 s and half an arcsec."""
    said = degrees_words(ra, dec).partition(" (")[0].replace("′", "m").replace("″", "s").replace("°", "d")
    back = SkyCoord(*(Angle(part.replace("−", "-").replace(" ", "")) for part in said.split(",")))
    assert back.separation(SkyCoord(ra, dec, unit="deg")).arcsec < 1.0


def test_names_are_those_of_the_brightest_star_there():
    """Places of proper names are from memory: each has one star brighter than 3.5 in the catalogue."""
    for name, ra, dec in NAMED:
        near = cone(ra, dec, 0.04, faintest=4.5)
        assert len(near) >= 1, name
        assert names(near)[0] == name
        assert near.v_mag[0] < 3.5
    faint = cone(83.82, -5.39, 0.3, faintest=9.0)
    assert all(name.startswith("J05") for name in names(faint))


def test_designations_are_cut_off_and_not_rounded():
    """Recommendations of the IAU on designations: truncated coordinates."""
    assert designation(359.9999, -0.99999) == "J2359.9-0059"
    assert designation(303.2458, 46.9999) == "J2012.9+4659"


@pytest.mark.parametrize("dec", [-12.0, 0.0, 60.0, 89.5, -90.0])
@pytest.mark.parametrize("scale", [0.5, 20.0])
def test_a_figure_has_lines_at_every_declination(dec, scale):
    found = solution(dec, scale)
    picture = np.full((60, 90, 3), 40, np.uint8)
    drawn = sky_figure(picture, (0, 600, 0, 900), found, [("Name", 300.0, 200.0)])
    assert drawn.png.startswith(b"\x89PNG")
    assert "Name" in drawn.words
    ra, step = grid_steps(found)
    assert 2 <= 600 * scale / 3600 / step <= 12
    assert 0 < ra <= 30
