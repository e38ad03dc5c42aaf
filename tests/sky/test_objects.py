"""Objects of the sky by place: kinds, numbers and sizes."""

import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import SkyCoord
from pyongc import ongc

from fourlight.errors import InputError
from fourlight.sky.objects import (
    NO_OBJECTS,
    SkyObject,
    object_named,
    objects_near,
    objects_of_size,
    outline,
    prominence,
)

MESSIER = {
    "M 1": (83.633, 22.014, 0.05), "M 13": (250.423, 36.461, 0.05), "M 27": (299.902, 22.721, 0.05),
    "M 45": (56.75, 24.12, 0.3), "M 57": (283.396, 33.029, 0.05), "M 104": (189.998, -11.623, 0.05),
}  # fmt: skip
"""J2000 places, from memory of common handbooks, to the degrees of the last number."""


@pytest.fixture(scope="module")
def listed():
    """Places of the whole list, degrees."""
    every = [each for each in ongc.listObjects() if each.type not in NO_OBJECTS and " NED" not in each.name]
    return np.degrees(np.array([each.rad_coords for each in every])).T


@pytest.mark.parametrize("name", MESSIER)
def test_well_known_objects_are_where_handbooks_put_them(name):
    ra, dec, off = MESSIER[name]
    found = objects_near(ra, dec, off)
    assert name in [each.name for each in found]


@pytest.mark.parametrize(
    ("place", "radius"),
    [((0.05, 10.0), 3.0), ((359.9, -40.0), 2.0), ((30.0, 88.5), 4.0), ((200.0, -89.5), 3.0)],
)
def test_none_is_missed_across_zero_and_around_poles(listed, place, radius):
    """Against the separation of astropy over the whole list."""
    ra, dec = listed
    apart = SkyCoord(ra, dec, unit="deg").separation(SkyCoord(*place, unit="deg"))
    inside = apart < radius * u.deg
    found = objects_near(*place, radius)
    assert inside.sum() == len(found) > 0
    here = SkyCoord([each.ra_deg for each in found], [each.dec_deg for each in found], unit="deg")
    assert here.match_to_catalog_sky(SkyCoord(ra[inside], dec[inside], unit="deg"))[1].arcsec.max() < 0.01


def test_an_outline_has_the_size_and_angle_of_the_list():
    """Separations and position angles of astropy; 0.1 % for the bent sky."""
    each = SkyObject("A 1", None, "galaxy", 359.9, 60.0, 90.0, 30.0, 35.0, None)
    ra, dec = outline(each, 721)
    middle = SkyCoord(each.ra_deg, each.dec_deg, unit="deg")
    rim = SkyCoord(ra, dec, unit="deg")
    apart = middle.separation(rim).arcmin
    assert apart.max() == pytest.approx(45.0, rel=1e-3)
    assert apart.min() == pytest.approx(15.0, rel=1e-3)
    angle = middle.position_angle(rim[int(np.argmax(apart))]).deg % 180
    assert angle == pytest.approx(35.0, abs=0.5)
    ra, dec = outline(SkyObject("A 2", None, "nebula", 10.0, 10.0, None, None, 0.0, None))
    assert np.ptp(ra) < 1e-9
    assert np.ptp(dec) < 1e-9


def test_the_most_prominent_comes_first():
    found = objects_near(83.8, -5.4, 1.5)
    ranks = [prominence(each) for each in found]
    assert ranks == sorted(ranks)
    assert "M 42" in [each.name for each in found[:2]]
    assert not [each for each in found if each.kind.lower() in ("star", "double star")]


@pytest.mark.parametrize(
    "text", ["M 27", "m27", "NGC 6853", "ngc6853", " NGC  6853 ", "Dumbbell Nebula", "dumbbell-nebula"]
)
def test_an_object_is_found_however_it_is_spelled(text):
    assert object_named(text).name == "M 27"


@pytest.mark.parametrize(
    ("text", "name"),
    [("flame nebula", "NGC 2024"), ("horsehead", "B 33"), ("Andromeda", "M 31"), ("Heart Nebula", "IC 1805")],
)
def test_a_name_is_that_of_the_object_that_people_mean(text, name):
    """NGC 2024 is the Flame Nebula: Sinnott, NGC 2000.0 (1988, from memory); the list gives its name to IC 434."""
    assert object_named(text).name == name
    assert object_named("IC 434").also != "Flame Nebula"


@pytest.mark.parametrize(
    ("text", "near"),
    [
        ("Dumbell Nebula", "are Dumbbell Nebula"),
        ("Pleiadess", "is Pleiades"),
        ("M 111", r"nearest (is|are) .*\bM 11\b"),
        ("NGC 9999", r"nearest (is|are) NGC \d"),
        ("xyzzy", "Messier"),
    ],
)
def test_the_nearest_names_are_told(text, near):
    with pytest.raises(InputError, match=near):
        object_named(text)


def test_objects_of_a_size_are_those_of_the_whole_list():
    every = [each for each in ongc.listObjects() if each.type not in NO_OBJECTS and " NED" not in each.name]
    sizes = [each.dimensions[0] for each in every]
    wanted = sum(size is not None and 30 <= size <= 90 for size in sizes)
    found = objects_of_size(30.0, 90.0)
    assert len(found) == wanted > 30
    assert all(30 <= each.longest_arcmin <= 90 for each in found)
    ranks = [prominence(each) for each in found]
    assert ranks == sorted(ranks)
