"""Pictures of lines as a whole: stars in them are white, listed or not, and nebulae keep their colours."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fourlight.core.colour import srgb_decode
from fourlight.pipeline import line_files
from fourlight.pipeline.line_request import Found
from fourlight.pipeline.line_views import Shown, line_views
from fourlight.recipe_finish import Finish
from fourlight.sensor.filters import named_filter
from fourlight.sensor.lightpath import LightPath
from fourlight.sensor.mixing import Ratios, mixing_matrix
from fourlight.sensor.sensors import sensor
from fourlight.stages.canvas import Canvas
from fourlight.stages.line_kinds import LightSet, choose_kinds
from fourlight.stages.line_maps import LineMaps, line_maps, planes_above_sky
from fourlight.stages.line_pictures import palettes
from line_stacks import SHAPE, Layers, dual, star_list

FWHM = 3.0
STARS = [(x, y) for y in (30, 80, 240, 290) for x in (40, 130, 270, 360)]
LONE, KNOT = (200, 160), (300, 160)
"""A star that the list lacks, and a knot of [OIII] twice as wide."""


def spot(place, sigma):
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    return np.exp(-0.5 * ((x - place[0]) ** 2 + (y - place[1]) ** 2) / sigma**2)


def test_stars_that_the_list_lacks_are_white_and_knots_are_not():
    """Light of stars here is more in [OIII] than in Hα, as that of blue ones is."""
    one = mixing_matrix(dual(), ("halpha", "oiii")).values
    star = sum(spot(place, FWHM / 2.355) for place in [*STARS, LONE])
    photons = np.stack([200 * star, 600 * star + 400 * spot(KNOT, 2 * FWHM / 2.355)])
    layers = Layers(np.einsum("ck,kyx->cyx", one, photons), (9.0, 4.0, 5.0))
    stars = star_list(*zip(*STARS, strict=True), fwhm=FWHM)
    planes = planes_above_sky(layers, stars, Canvas(), "stack")
    told = choose_kinds([LightSet(dual(), planes.usual_variance())])
    maps = line_maps([planes], told, Canvas())
    hoo = palettes(told, Ratios())[:1]
    views = line_views(maps, planes, told, Shown(hoo, stars, None, 0.0), Finish(), Canvas())
    assert views.maps is maps
    picture = srgb_decode(views.pictures["hoo"])
    listed, lone, knot = (picture[y, x] for x, y in (STARS[0], LONE, KNOT))
    assert listed.max() < 1.1 * listed.min()
    assert lone.max() < 1.1 * lone.min()
    assert knot[1] > 3 * knot[0]
    assert knot[1] == pytest.approx(knot[2], rel=0.05), "[OIII] is cyan in HOO"


def test_maps_are_shown_without_what_two_stacks_leave_of_stars():
    """Stars of continuum which the stack without a narrow filter shows a fifth wider: holes and rims in both lines."""
    paths = (dual(), LightPath(sensor("bsi-8mp"), named_filter("uv-ir-cut")))
    stars = star_list(*zip(*STARS, strict=True), fwhm=FWHM)
    sets = []
    for path, wider, seed in zip(paths, (1.0, 1.2), (1, 2), strict=True):
        one = mixing_matrix(path, ("halpha", "oiii", "continuum"), channels=("R", "G", "B")).values
        star = sum(spot(place, wider * FWHM / 2.355) for place in STARS) / wider**2
        photons = np.stack([np.full(SHAPE, 0.0), 60 * spot(LONE, 30), 200 * star])
        layers = Layers(np.einsum("ck,kyx->cyx", one, photons), (9.0, 4.0, 5.0), seed)
        sets.append(planes_above_sky(layers, stars, Canvas(), "stack"))
    told = choose_kinds([LightSet(path, one.usual_variance()) for path, one in zip(paths, sets, strict=True)])
    maps = line_maps(sets, told, Canvas())
    before = {name: plane.copy() for name, plane in maps.light.items()}
    shown = Shown(palettes(told, Ratios())[:1], stars, np.ones((len(stars), 3)), FWHM)
    views = line_views(maps, sets[0], told, shown, Finish(), Canvas())
    assert views.maps is not maps
    for name, plane in maps.light.items():
        np.testing.assert_array_equal(plane, before[name], "maps of files stay as they are")
    noise = float(np.sqrt(np.median(maps.variance("oiii"))))
    spots = [np.s_[y - 4 : y + 5, x - 4 : x + 5] for x, y in STARS]
    assert max(np.abs(maps.light["oiii"][one]).max() for one in spots) > 30 * noise
    assert max(np.abs(views.maps.light["oiii"][one]).max() for one in spots) < 6 * noise
    assert views.maps.light["oiii"][LONE[1], LONE[0]] > 10 * noise, "the nebula is there"


def test_the_caption_of_maps_says_when_stars_are_not_shown(tmp_path, monkeypatch):
    """The figure tells its caption to those who cannot see it, too."""
    told = {}
    monkeypatch.setattr(
        line_files, "write_figure", lambda place, name, drawn, **more: told.update({name: drawn})
    )
    for name in ("write_planes", "save_picture"):
        monkeypatch.setattr(line_files, name, lambda *given: None)
    plane = np.random.default_rng(1).normal(0, 1, SHAPE).astype(np.float32)
    maps = LineMaps(("oiii",), {"oiii": plane}, {("oiii", "oiii"): np.ones_like(plane)})
    facts = {"kinds": {"oiii": {"name": "[OIII]"}}, "camera": "a", "filter": "b", "stars": {"used": False},
             "broadband": None}  # fmt: skip
    for shown, said in ((maps, False), (replace(maps), True)):
        line_files.write_lines(tmp_path, Found(maps, facts, {}, shown), {})
        assert ("lines are shown as around them" in told["maps"].words) is said
