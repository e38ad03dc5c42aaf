"""The camera profile as a file: what is written comes back, what is no profile is one line."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fourlight.errors import RecipeError
from fourlight.frames import RawFrame, Role
from fourlight.sensor.profile import Camera, Profile, Quantity, dumps, loads

LIGHT = RawFrame(Path("l.fits"), 0, 100, 200, Role.LIGHT, "header", gain_setting=100.0)
CAMERA = Camera(name="bench", width_px=200, height_px=100, mosaic="RGGB", gain_setting=100.0)


@given(
    name=st.text(st.characters(blacklist_categories=("Cs",)), max_size=30),
    value=st.floats(-1e6, 1e6, allow_nan=False).map(lambda x: float(f"{x:.8g}")),
    error=st.none() | st.floats(0, 1e3).map(lambda x: float(f"{x:.8g}")),
    notes=st.lists(st.text(st.characters(blacklist_categories=("Cs",)), max_size=40), max_size=3),
)
def test_what_is_written_comes_back(name: str, value: float, error: float | None, notes: list[str]) -> None:
    made = Profile(
        camera=CAMERA.model_copy(update={"name": name}),
        quantities={"gain": Quantity(value=value, error=error, unit="e/ADU", frames=8)},
        places={"r0c0": {"gain": Quantity(value=value, bound="at least")}},
        missing={"prnu": "flats"},
        notes=tuple(notes),
    )
    assert loads(dumps(made)) == made


def test_it_is_plain_toml() -> None:
    made = Profile(
        camera=CAMERA, quantities={"gain": Quantity(value=1.25, error=0.01, unit="e/ADU", frames=12)}
    )
    data = tomllib.loads(dumps(made))
    assert data["format"] == 1
    assert data["quantities"]["gain"] == {"value": 1.25, "error": 0.01, "unit": "e/ADU", "frames": 12}


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "camera"),
        ("[camera]\nwidth_px = 3", "height_px"),
        ("[camera]\nwidth_px = 3\nheight_px = 2\nwidht = 3", "no such setting; did you mean camera.width_px"),
        ("format = 2\n[camera]\nwidth_px = 3\nheight_px = 2", "must be 1"),
        ("[camera]\nwidth_px = 3\nheight_px = 2\n[quantities]\ngain = { error = 2.0 }", "must be given"),
        ("[camera", "not valid TOML"),
    ],
)
def test_what_is_no_profile_is_one_line(text: str, said: str) -> None:
    with pytest.raises(RecipeError) as error:
        loads(text, "mine.toml")
    assert str(error.value).startswith("mine.toml: ")
    assert said in str(error.value)
    assert "\n" not in str(error.value)


@pytest.mark.parametrize(
    ("facts", "said"),
    [
        ({}, []),
        ({"gain_setting": None}, []),
        ({"camera": "another name", "offset_setting": 3.0}, []),
        ({"gain_setting": 200.0}, ["gain setting 200 instead of 100"]),
        ({"nx": 100}, ["size 100 x 100 instead of 200 x 100"]),
        ({"binning": 2}, ["binning 2 instead of 1"]),
    ],
)
def test_size_and_gain_setting_decide_whether_it_holds(facts: dict[str, object], said: list[str]) -> None:
    assert Profile(camera=CAMERA).misfits(replace(LIGHT, **facts)) == said  # type: ignore[arg-type]
