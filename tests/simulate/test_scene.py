from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from fourlight.core.horizon import altitude_deg
from fourlight.errors import RecipeError
from fourlight.sensor.filters import FILTERS
from fourlight.simulate.scene import Scene, fields, loads, packaged, settings_table
from fourlight.simulate.scene_names import packaged_names
from fourlight.sky.moon import lit_share, moon_altitudes


def test_an_empty_file_is_a_scene() -> None:
    assert loads("") == Scene()


@pytest.mark.parametrize("name", packaged_names())
def test_the_moon_of_a_scene_stands_in_the_sky_at_its_date(name: str) -> None:
    """By astropy's ephemeris: claims on moonlit lights look it up, not in the scene."""
    scene = packaged(name)
    place = scene.site.latitude_deg, scene.site.longitude_deg
    for night in scene.nights:
        start = datetime.fromisoformat(night.start_utc).replace(tzinfo=UTC)
        step = (night.exposure_s or scene.exposure_s) + night.gap_s
        times = [start, start + timedelta(seconds=step * night.count)]
        lit, high = lit_share(times), moon_altitudes(times, *place)
        object_high = [
            altitude_deg(scene.site.ra_deg, scene.site.dec_deg, *place, t.timestamp()) for t in times
        ]
        assert min(object_high) > 40
        if night.moon_phase_deg is None:
            assert max(high) < 0
        else:
            assert lit == pytest.approx([(1 + np.cos(np.radians(night.moon_phase_deg))) / 2] * 2, abs=0.05)
            assert high == pytest.approx([90 - night.moon_zenith_deg] * 2, abs=12)


def test_pixel_scale() -> None:
    # 206.265 p / f: 3.76 um at 530 mm gives 1.4633 arcsec per pixel.
    assert Scene().pixel_arcsec == pytest.approx(1.4633, abs=1e-4)


@pytest.mark.parametrize(
    ("text", "near"),
    [
        ("[camera]\nwidht_px = 300", "camera.width_px"),
        ("[[nights]]\nseing_arcsec = 2.0", "seeing_arcsec"),
        ("sed = 3", "seed"),
    ],
)
def test_an_unknown_key_is_refused_with_the_nearest(text: str, near: str) -> None:
    with pytest.raises(RecipeError, match=f"did you mean {near}"):
        loads(text)


@pytest.mark.parametrize(
    "text",
    [
        "[camera]\nwidth_px = 3",
        "[camera]\nmosaic = 'RGBG'",
        "nights = []",
        "[[nights]]\nstart_utc = 'soon'",
        "[[nights]]\ncount = 8\ntrailed = [9]",
        "x",
    ],
)
def test_a_value_out_of_bounds_is_refused(text: str) -> None:
    with pytest.raises(RecipeError):
        loads(text)


def test_a_filter_of_own_bands_has_any_name_and_others_are_listed() -> None:
    assert loads("[filter]\nname = 'dual-band'\nbands_nm = [[500.7, 7.0]]").filter.name == "dual-band"
    with pytest.raises(
        RecipeError, match=r"filter: name = 'dual-band' must be one of dual-3nm, .*or bands_nm"
    ):
        loads("[filter]\nname = 'dual-band'")
    table = settings_table()
    assert all(f"{name}" in table for name in FILTERS)
    assert "(RGGB, BGGR, GRBG, GBRG)" in table
    with pytest.raises(RecipeError, match="headers hold no others"):
        loads("[filter]\nname = 'Düb'\nbands_nm = [[500.7, 7.0]]")


def test_optics_that_nobody_makes_are_refused() -> None:
    with pytest.raises(
        RecipeError, match=r"optics: focal_mm = 50 with aperture_mm = 106 is f/0\.47; nothing is"
    ):
        loads("[optics]\nfocal_mm = 50")


def test_every_setting_has_help_and_a_default() -> None:
    for name, field in fields():
        assert field.description, name
        assert not field.is_required(), name


def test_the_packaged_demo_has_two_nights_and_the_moon() -> None:
    nights = packaged("demo").nights
    assert [night.count for night in nights] == [12, 12]
    assert [night.moon_phase_deg is not None for night in nights] == [False, True]


def test_the_page_lists_every_setting() -> None:
    page = Path(__file__).parents[2] / "docs" / "simulator.md"
    assert settings_table() in page.read_text("utf-8"), "run builders/simulator_docs.py"
