"""f-ratio, filter and scale that count for a stack: one rule for colours of stars, lines and whatever else."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from fourlight.core.spectra import LINES_NM
from fourlight.errors import InputError
from fourlight.frames import RawFrame, Role
from fourlight.pipeline import star_colours
from fourlight.pipeline.lightpaths import beam_of, beam_words, light_of
from fourlight.pipeline.line_numbers import factors_of
from fourlight.pipeline.line_request import Asked, Source
from fourlight.pipeline.line_run import asked_by
from fourlight.pipeline.line_sources import behind_its_filter, in_its_beam
from fourlight.pipeline.reference_light import reference_filter
from fourlight.recipe import Recipe, with_settings
from fourlight.recipe_gear import Gear
from fourlight.sensor.filters import FILTERS, Beam, named_filter
from fourlight.sensor.sensors import sensor
from fourlight.stages.line_kinds import LightSet, choose_kinds

LIGHT = RawFrame(
    Path("a.fits"), 0, 100, 120, Role.LIGHT, "header", focal_mm=200.0, aperture_mm=100.0, exposure_s=60.0,
    filter_name="dual-3nm",
)  # fmt: skip
CAMERA = with_settings(Recipe(), ["gear.camera=bsi-8mp"])


def test_the_f_ratio_is_that_of_the_recipe_else_of_the_header() -> None:
    assert beam_of(Gear(f_ratio=4.0), LIGHT) == (Beam(4.0), "gear.f_ratio")
    assert beam_of(Gear(), LIGHT) == (Beam(2.0), "focal length and aperture in the header")
    for light in (None, replace(LIGHT, aperture_mm=None), replace(LIGHT, aperture_mm=20_000.0)):
        assert beam_of(Gear(), light) == (None, "")


def test_what_counts_is_said() -> None:
    chosen = FILTERS["dual-3nm"]
    assert beam_words(chosen, Beam(2.0), "the header").startswith(
        "light converges through dual-3nm at f/2 (the header), which leaves 2"
    )
    assert beam_words(chosen, Beam(5.0), "the header").endswith("at f/5 (the header)")
    assert "counted as straight through dual-3nm" in beam_words(chosen, None, "")
    assert beam_words(FILTERS["none"], Beam(2.0), "the header") == ""


def units(asked: Asked) -> np.ndarray:
    return choose_kinds([LightSet(asked.path, np.ones(3))]).units


def test_lines_behind_a_narrow_filter_are_fainter_in_a_fast_beam() -> None:
    """What is left of Halpha and [OIII] at f/2 by the cone of directions: 0.24 and 0.31 (docs/responses.md)."""
    found = asked_by(CAMERA, LIGHT)
    assert found is not None
    assert (found.beam, found.beam_from) == (Beam(2.0), "focal length and aperture in the header")
    straight = replace(found, beam=None)
    waves = np.array([LINES_NM["halpha"], LINES_NM["oiii"]])
    left = found.path.at(waves) / straight.path.at(waves)
    assert left == pytest.approx(np.array([[0.24, 0.31]] * 3), abs=0.01)
    # the band reaches the weaker [OIII] line, which has a third of the light
    assert units(found) / units(straight) == pytest.approx([0.26, 0.41], abs=0.03)
    source = Source("s", None, None, {}, LIGHT)  # type: ignore[arg-type]
    other = replace(source, reference=replace(LIGHT, focal_mm=800.0))
    both = in_its_beam(straight, source, other, Gear())
    assert (both.beam, both.broadband_beam) == (Beam(2.0), Beam(8.0))
    named = in_its_beam(replace(straight, beam=Beam(3.0)), source, other, Gear())
    assert (named.beam, named.broadband_beam) == (Beam(3.0), Beam(3.0))


@pytest.mark.parametrize(
    ("stated", "filter_name", "origin"),
    [
        ("Luminance", "luminance", "the headers"),
        ("dual 7nm", "dual-7nm", "the headers"),
        ("my own glass", "uv-ir-cut", "assumed"),
        (None, "uv-ir-cut", "assumed"),
    ],
)
def test_a_second_stack_has_the_filter_of_its_headers(stated: str, filter_name: str, origin: str) -> None:
    asked = asked_by(CAMERA, LIGHT)
    assert asked is not None
    other = Source("s", None, None, {}, replace(LIGHT, filter_name=stated))  # type: ignore[arg-type]
    found = behind_its_filter(asked, other)
    assert found.broadband_filter is not None
    assert (found.broadband_filter.name, found.broadband_filter_from) == (filter_name, origin)
    assert behind_its_filter(asked, replace(other, reference=None)).broadband_filter_from == "assumed"
    named = replace(asked, broadband_filter=named_filter("none"))
    assert behind_its_filter(named, other) is named
    assert behind_its_filter(asked, None) is asked


def test_colours_of_stars_and_lines_agree_on_what_is_narrow() -> None:
    for name in FILTERS:
        light = replace(LIGHT, filter_name=name)
        lines = asked_by(CAMERA, light)
        if name != "none":
            through = light_of(CAMERA.gear, name, None, light)
            assert through.narrow is (lines is not None), name
            assert any(note.startswith(f"light converges through {name} at f/2") for note in through.notes)


def test_rayleighs_are_by_the_scale_that_stars_show() -> None:
    """A pixel of the stack whose side is a tenth larger than headers say holds 1.21 times the light of a rayleigh."""
    curves = replace(sensor("bsi-8mp"), scale="absolute")
    asked = Asked(curves, named_filter("dual-7nm"), transmission=0.7)
    telling = choose_kinds([LightSet(asked.path, np.ones(3))])
    summary: dict[str, Any] = {"unit": "electron", "scale_arcsec_px": 2.0, "grid": {"zoom": 2.0}}
    nominal = factors_of(Source("s", None, None, summary, LIGHT), asked, telling)  # type: ignore[arg-type]
    solved = {**summary, "sky": {"scale_arcsec_px": 2.2}}
    found = factors_of(Source("s", None, None, solved, LIGHT), asked, telling)  # type: ignore[arg-type]
    for line in ("halpha", "oiii"):
        assert found[line] / nominal[line] == pytest.approx(1 / 1.21)
    alone = {"unit": "electron", "sky": {"scale_arcsec_px": 2.2}}
    assert factors_of(Source("s", None, None, alone, LIGHT), asked, telling) == found  # type: ignore[arg-type]


def test_the_filter_is_that_of_the_reference_light(monkeypatch: pytest.MonkeyPatch) -> None:
    """Not that of the first frame, which may be called otherwise."""
    frames = [
        {"file": "a", "filter": "uv-ir-cut"},
        {"file": "b", "filter": "dual-7nm"},
        {"file": "c", "filter": None},
    ]
    summary = {"frames": frames, "grid": {"reference": "b"}, "nights": [], "mosaic": {"pattern": "RGGB"}}
    assert [reference_filter({**summary, "grid": {"reference": k}}) for k in "abc"] == [
        "uv-ir-cut",
        "dual-7nm",
        None,
    ]
    asked: list[str | None] = []

    def seen_through(gear: Gear, name: str | None, mass: float | None, light: RawFrame | None) -> None:
        asked.append(name)
        raise InputError("that is enough")

    for name in ("fluxes_of", "star_phase", "_counts"):
        monkeypatch.setattr(star_colours, name, lambda *_: None)
    monkeypatch.setattr(star_colours, "_mosaic", lambda *_: {"contradicted": False})
    monkeypatch.setattr(star_colours, "light_of", seen_through)
    place = SimpleNamespace(ra_deg=0.0, dec_deg=0.0)
    star_colours.coloured(None, summary, None, place, Recipe(), None, LIGHT)  # type: ignore[arg-type]
    assert asked == ["dual-7nm"]
