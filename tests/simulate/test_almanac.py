"""A Moon that is not the one of the date is said to be; dates by astropy's ephemeris."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from fourlight.simulate.almanac import strange_moons
from fourlight.simulate.scene import Scene, loads, packaged
from fourlight.simulate.scene_names import packaged_names
from fourlight.sky.moon import lit_share, moon_altitudes

FULL = """
[[nights]]
count = 6
start_utc = "{start}"
moon_phase_deg = {phase}
moon_zenith_deg = 50.0
"""


@pytest.mark.parametrize("name", packaged_names())
def test_scenes_that_come_along_have_the_moon_of_their_dates(name: str) -> None:
    assert strange_moons(packaged(name)) == []


def test_a_full_moon_at_new_moon_is_said_and_a_date_named_that_fits() -> None:
    """New Moon on 1992 January 4 and full Moon on January 19 (tables of phases, from memory)."""
    scene = loads(FULL.format(start="1992-01-04T22:30:00", phase=5.0))
    (said,) = strange_moons(scene)
    assert "Night 1 of the scene has a Moon lit by 100 % and 40 degrees high" in said
    assert "lit by 0 %" in said
    better = said.split("; ")[1].split(" would fit")[0]
    assert strange_moons(loads(FULL.format(start=f"{better}:00", phase=5.0))) == []
    moment = [datetime.fromisoformat(better).replace(tzinfo=UTC)]
    assert lit_share(moment)[0] > 0.85
    assert moon_altitudes(moment, scene.site.latitude_deg, scene.site.longitude_deg)[0] > 15


def test_a_moonlit_date_of_a_moonless_scene_is_said() -> None:
    (said,) = strange_moons(loads('[[nights]]\nstart_utc = "1992-01-19T00:00:00"'))
    assert "has no Moon, but" in said
    assert strange_moons(loads('[[nights]]\nstart_utc = "1992-01-04T23:00:00"')) == []


def test_a_scene_as_it_comes_has_no_strange_moon() -> None:
    assert strange_moons(Scene()) == []
