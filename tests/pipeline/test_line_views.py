"""Pictures of lines as a whole: stars in them are white, listed or not, and nebulae keep their colours."""

from __future__ import annotations

import numpy as np
import pytest

from fourlight.core.colour import srgb_decode
from fourlight.pipeline.line_views import Shown, line_views
from fourlight.recipe_finish import Finish
from fourlight.sensor.mixing import Ratios, mixing_matrix
from fourlight.stages.canvas import Canvas
from fourlight.stages.line_kinds import LightSet, choose_kinds
from fourlight.stages.line_maps import line_maps, planes_above_sky
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
    picture = srgb_decode(
        line_views(maps, planes, told, Shown(hoo, stars, None, 0.0), Finish(), Canvas())["hoo"]
    )
    listed, lone, knot = (picture[y, x] for x, y in (STARS[0], LONE, KNOT))
    assert listed.max() < 1.1 * listed.min()
    assert lone.max() < 1.1 * lone.min()
    assert knot[1] > 3 * knot[0]
    assert knot[1] == pytest.approx(knot[2], rel=0.05), "[OIII] is cyan in HOO"
