"""Pictures of lines: which palettes there are, and colours that lines have in them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fourlight.core.colour import srgb_decode
from fourlight.recipe_finish import Finish
from fourlight.sensor.filters import named_filter
from fourlight.sensor.lightpath import LightPath
from fourlight.sensor.mixing import Ratios
from fourlight.sensor.sensors import sensor
from fourlight.stages.canvas import Canvas
from fourlight.stages.line_kinds import LightSet, choose_kinds
from fourlight.stages.line_maps import LineMaps
from fourlight.stages.line_pictures import line_picture, palettes
from line_stacks import SHAPE, dual, star_list

NOISE = np.array([9.0, 4.0, 5.0])
BROAD = LightPath(sensor("bsi-8mp"), named_filter("uv-ir-cut"))


def telling(name="dual-7nm", broad=False):
    sets = [LightSet(dual(name=name), NOISE)]
    return choose_kinds([*sets, LightSet(BROAD, 5 * NOISE, 0.3)] if broad else sets)


def three_lines():
    """As three narrow bands on a camera of three narrow colours would tell them."""
    one = telling()
    return replace(one, columns=("halpha", "oiii", "sii"), units=np.array([0.36, 0.6, 0.3]))


def maps_of(lines, lit, strength=40.0):
    """A wide blob of some lines on an empty sky."""
    rng = np.random.default_rng(3)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    blob = strength * np.exp(-0.5 * ((x - 200) ** 2 + (y - 160) ** 2) / 30**2)
    light = {name: (blob * (name in lit) + rng.standard_normal(SHAPE)).astype(np.float32) for name in lines}
    ones = np.ones(SHAPE, dtype=np.float32)
    power = {(a, b): ones * (a == b) for i, a in enumerate(lines) for b in lines[i:]}
    return LineMaps(tuple(lines), light, power)


@pytest.mark.parametrize(
    ("told", "names"),
    [
        (telling(), ["hoo", "as-seen"]),
        (telling("dual-sii-7nm"), ["soo", "as-seen"]),
        (telling("halpha-7nm"), ["as-seen"]),
        (three_lines(), ["hoo", "sho", "hso", "soo", "as-seen"]),
    ],
)
def test_palettes_are_those_that_the_lines_allow(told, names):
    assert [one.name for one in palettes(told, Ratios())] == names


def colour_of(palette, lit, told=None):
    """Linear colour in the middle of the blob, and the empty sky."""
    maps = maps_of(palette.lines, lit)
    sky = np.zeros(SHAPE, dtype=bool)
    sky[:60] = True
    rgb = line_picture(maps, palette, star_list([], []), sky, Finish(), Canvas())
    assert rgb.shape == (*SHAPE, 3)
    assert np.isfinite(rgb).all()
    assert 0.0 <= rgb.min() <= rgb.max() <= 1.0
    dark = rgb[:40].mean(axis=(0, 1))
    assert np.ptp(dark) < 0.02, "the sky is neutral"
    assert dark.mean() == pytest.approx(Finish().shown.background, abs=0.03)
    return srgb_decode(rgb[150:170, 190:210].mean(axis=(0, 1)))


def test_lines_have_the_colours_of_the_palette():
    hoo, seen = palettes(telling(), Ratios())
    red, green, blue = colour_of(hoo, ("halpha",))
    assert red > 5 * max(green, blue)
    red, green, blue = colour_of(hoo, ("oiii",))
    assert green == pytest.approx(blue, rel=0.05)
    assert green > 5 * red
    red, green, blue = colour_of(hoo, ("halpha", "oiii"))
    assert max(red, green, blue) < 1.3 * min(red, green, blue), "equally bright lines make grey"
    red, green, blue = colour_of(seen, ("halpha",))
    assert red > blue > green, "hydrogen is red with the blue of Hβ"
    red, green, blue = colour_of(seen, ("oiii",))
    assert green > blue > red, "500.7 nm is a bluish green"


def test_three_lines_each_have_a_primary():
    sho = next(one for one in palettes(three_lines(), Ratios()) if one.name == "sho")
    for k, line in enumerate(("sii", "halpha", "oiii")):
        colour = colour_of(sho, (line,))
        assert int(np.argmax(colour)) == k
        assert colour[k] > 5 * np.delete(colour, k).max()


def test_continuum_is_white_where_it_is_told():
    told = telling(broad=True)
    for palette in palettes(told, Ratios()):
        assert palette.lines[-1] == "continuum"
        assert "continuum in white" in palette.words
        np.testing.assert_allclose(palette.shares[:, -1], palette.shares[0, -1])
    colour = colour_of(palettes(told, Ratios())[0], ("continuum",))
    assert max(colour) < 1.15 * min(colour)


def test_nothing_but_sky_is_a_dark_picture():
    hoo = palettes(telling(), Ratios())[0]
    maps = maps_of(hoo.lines, ())
    rgb = line_picture(maps, hoo, star_list([], []), np.ones(SHAPE, bool), Finish(), Canvas())
    assert rgb.mean() == pytest.approx(Finish().shown.background, abs=0.04)
    assert rgb.max() < 0.6, "noise is not stretched to light"


def test_stars_are_white_and_the_light_around_them_keeps_its_colour():
    """Stars with twice as much in [OIII] as in Hα, upon a blob of Hα."""
    hoo = palettes(telling(), Ratios())[0]
    maps = maps_of(hoo.lines, ("halpha",))
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    places = [(200, 160), (230, 140), (60, 250)]
    for cx, cy in places:
        spot = np.exp(-0.5 * ((x - cx) ** 2 + (y - cy) ** 2) / 1.3**2)
        maps.light["halpha"] += (60 * spot).astype(np.float32)
        maps.light["oiii"] += (120 * spot).astype(np.float32)
    sky = np.zeros(SHAPE, dtype=bool)
    sky[:60] = True
    stars = star_list([c[0] for c in places], [c[1] for c in places])
    rgb = srgb_decode(line_picture(maps, hoo, stars, sky, Finish(), Canvas()))
    alone = rgb[249:252, 59:62].mean(axis=(0, 1))
    assert max(alone) < 1.1 * min(alone)
    red, green, _ = rgb[175:185, 195:205].mean(axis=(0, 1))
    assert red > 4 * green
