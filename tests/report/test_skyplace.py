"""What is told and drawn of a plate solution."""

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from astropy.coordinates import Angle, SkyCoord

from drawn_figures import captured, words_of
from fourlight.core.distortion import Mapping
from fourlight.report import figure_sky
from fourlight.report.figure_sky import grid_steps, sky_figure
from fourlight.report.skyplace import degrees_words, sky_words, solution_lines
from fourlight.sky.catalogue import cone
from fourlight.sky.objects import objects_near
from fourlight.sky.plate import PlateSolution
from fourlight.sky.starnames import NAMED, designation, names

SKY = {
    "ra_deg": 83.82, "dec_deg": -5.39, "scale_arcsec_px": 2.0, "width_deg": 0.9, "height_deg": 1.2,
    "rotation_deg": 170.0,
    "mirrored": True, "order": 3, "stars": 40, "expected": 52, "rms_px": 0.25, "log10_chance": -61.3,
    "looked_for": "on the whole sky", "named": [],
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
    assert said["Grounds"].endswith("the chance of a wrong solution is below one in a million")
    assert dict(solution_lines({**SKY, "log10_chance": -5.9}))["Grounds"].endswith("one in 100,000")
    assert "0.25 px (0.5 arcsec) rms" in said["Grounds"]
    assert "order 3" in said["Distortion"]
    assert dict(solution_lines({**SKY, "order": 1, "mirrored": False}))["Orientation"].endswith("mirrored")


def test_an_angle_that_rounds_to_a_whole_turn_is_none():
    said = dict(solution_lines({**SKY, "rotation_deg": 179.9999}))
    assert said["Orientation"].startswith("as shown, up is 0.00° from north")
    assert sky_words({})["sky"] == []


@pytest.mark.parametrize(
    ("ra", "dec"), [(83.82208, -5.39111), (359.99999, 89.99999), (0.0, -0.0001), (15.0, 59.99999)]
)
def test_places_in_hours_and_degrees(ra, dec):
    """astropy reads them back: to 0.05 s and half an arcsec."""
    said = degrees_words(ra, dec).partition(" (")[0].replace("′", "m").replace("″", "s").replace("°", "d")
    back = SkyCoord(*(Angle(part.replace("−", "-").replace(" ", "")) for part in said.split(",")))
    assert back.separation(SkyCoord(ra, dec, unit="deg")).arcsec < 1.0


def test_the_words_of_objects():
    known = {"longest_arcmin": 9.25, "shortest_arcmin": None, "magnitude": 6.04, "x_px": 10.4, "y_px": 20.6}
    objects = [
        {"name": "M 0", "also": "Invented", "kind": "galaxy", **known},
        {"name": "NGC 0", "also": None, "kind": "nebula", **known, "longest_arcmin": None, "magnitude": None},
    ]
    sky = {**SKY, "objects": objects}
    assert dict(solution_lines(sky))["Objects"] == "M 0 (Invented), NGC 0"
    assert dict(solution_lines(SKY))["Objects"].startswith("none")
    rows = sky_words({"sky": sky})["sky_objects"]
    assert rows[0] == {
        "name": "M 0, Invented", "kind": "galaxy", "size": "9.25′", "magnitude": "6.0", "place": "10, 21"
    }  # fmt: skip
    assert (rows[1]["size"], rows[1]["magnitude"]) == ("not known", "not known")


@pytest.mark.parametrize("seed", range(3))
def test_names_never_lie_on_each_other(monkeypatch, seed):
    """Boxes of what matplotlib wrote, on a crowded picture."""
    made = captured(monkeypatch, figure_sky)
    found = replace(solution(12.7, scale=6.0), ra_deg=187.7)
    objects = objects_near(187.7, 12.7, 0.8)
    rng = np.random.default_rng(seed)
    stars = [(f"Star {k}", *rng.uniform(0, [900, 600])) for k in range(25)]
    drawn = sky_figure(np.full((300, 450, 3), 20, dtype=np.uint8), (0, 600, 0, 900), found, stars, objects)
    written = {text.get_text() for text in made[0].axes[0].texts}
    words = [word for word in words_of(made[0]) if word[0] in written]
    assert len(words) > 25
    for (text, box, _), (other, beside, _) in combinations(words, 2):
        assert not box.overlaps(beside), f"{text} on {other}"
    axes = made[0].axes[0].bbox
    assert all(axes.x0 - 1 <= box.x0 and box.x1 <= axes.x1 + 1 for _, box, _ in words)
    assert objects[0].name in drawn.words


def test_stars_beyond_the_picture_are_not_named():
    """The picture may be cut from the middle of the stack."""
    stars = [("Within", 300.0, 200.0), ("Below", 300.0, 560.0), ("Left", 20.0, 200.0)]
    drawn = sky_figure(np.full((500, 800, 3), 20, dtype=np.uint8), (50, 550, 50, 850), solution(20.0), stars)
    assert "named stars: Within." in drawn.words


SECOND = ("Toliman",)
"""The fainter of two stars that stand within the same circle."""


def test_names_are_those_of_the_brightest_star_there():
    """Places of proper names are from memory: each has one star brighter than 3.5 in the catalogue."""
    for name, ra, dec in NAMED:
        near = cone(ra, dec, 0.04, faintest=4.5)
        assert len(near) >= 1, name
        assert names(near)[name in SECOND] == name
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
