"""The light of the sky taken off a stack."""

import json

import numpy as np
import pytest
from scipy import ndimage

from fourlight.core.cfa import COLOURS
from fourlight.recipe_finish import Gradient
from fourlight.stages.canvas import Canvas
from fourlight.stages.coverage import gather
from fourlight.stages.display import Field
from fourlight.stages.gradient import take_off_gradient
from fourlight.stages.showing import stars_on, stars_within
from painted_scenes import paint


def taken(scene, *, halves=True, **settings):
    """Surfaces that were taken off a painted stack, and what was said."""
    canvas = Canvas(threads=1)
    sheet, frame = gather(scene.planes, scene.variances, scene.halves if halves else None, [], canvas)
    before = [image.copy() for image in sheet.image]
    stars: Field = stars_on(stars_within(scene.stars, frame))
    found = take_off_gradient(sheet, stars, Gradient(**settings), canvas)
    return [a - b for a, b in zip(before, sheet.image, strict=True)], found


def sky_of(scene, channel):
    """The painted sky, as `paint` draws it."""
    ny, nx = scene.planes["G"].shape
    y, x = np.mgrid[:ny, :nx] / max(ny, nx)
    c = COLOURS.index(channel)
    level = {"R": 160.0, "G": 140.0, "B": 90.0}[channel]
    return level * (1 + 0.4 * (x * (0.6 + 0.2 * c) + y * (0.5 - 0.2 * c) + 0.4 * x * y))


@pytest.mark.parametrize("halves", [True, False])
def test_the_sky_goes_and_the_object_stays(halves):
    scene = paint(kind="broadband", ny=300, nx=420, stars=60)
    surfaces, found = taken(scene, halves=halves)
    for name, surface in zip(COLOURS, surfaces, strict=True):
        wrong = surface - sky_of(scene, name)
        assert np.std(wrong) < 4 * found.facts["error"][name]
        assert np.std(wrong) < 0.1 * np.std(sky_of(scene, name))
        assert np.ptp(wrong) < 0.3 * found.facts["noise"][name] + 4 * found.facts["edge_error"][name]
    assert np.median(scene.glow["R"][found.sky]) < 1
    assert found.facts["order"] == 2
    json.dumps(found.facts)
    assert any("known to" in note for note in found.notes)
    assert not any("Too little" in note for note in found.notes)


def test_a_field_full_of_light_is_said_and_kept():
    scene = paint(kind="none", ny=300, nx=420, stars=0)
    rng = np.random.default_rng(4)
    texture = ndimage.gaussian_filter(rng.normal(size=(300, 420)), 14)
    y, x = np.mgrid[:300, :420]
    dark = ndimage.gaussian_filter((y - 0.6 * x > 60 + 400 * texture).astype(float), 2)
    haze = (20 - 17 * dark) * np.exp(0.2 * texture / texture.std())
    for planes in (scene.planes, *scene.halves):
        for name, share in (("R", 1.1), ("G", 1.0), ("B", 0.65)):
            planes[name] += (share * haze).astype(np.float32)
    surfaces, found = taken(scene)
    assert any("Too little" in note for note in found.notes)
    assert found.sky.any()
    wrong = surfaces[1] - sky_of(scene, "G")
    part = haze - haze.mean()
    lost = float((wrong * part).sum() / (part**2).sum())
    assert abs(lost) < 0.15
    assert np.std(wrong) < 3 * found.facts["error"]["G"]


def test_a_slope_that_may_be_the_objects_is_not_taken_and_said():
    scene = paint(kind="none", ny=300, nx=420, stars=0)
    texture = ndimage.gaussian_filter(np.random.default_rng(9).normal(size=(300, 420)), 25)
    haze = 30 * np.exp(0.4 * texture / texture.std())
    for planes in (scene.planes, *scene.halves):
        for name in planes:
            planes[name] += (haze - (sky_of(scene, name) if name in COLOURS else 0)).astype(np.float32) + 100
    surfaces, found = taken(scene)
    assert found.facts["taken_share"] < 1
    order = found.facts["order"]
    assert order == (1 if found.facts["taken_share"] > 0 else 0), "what was taken off, not what was allowed"
    assert ("one level", "a plane")[order] in found.notes[0]
    assert np.ptp(surfaces[1]) < 3 * found.facts["edge_error"]["G"]
    assert any("may be light of the object" in note for note in found.notes) == (
        found.facts["taken_share"] == 0
    )


def test_a_level_alone_where_no_surface_is_wanted():
    scene = paint(kind="broadband", ny=300, nx=420, stars=60)
    surfaces, found = taken(scene, use=False)
    faint = scene.planes["G"] < 500  # bright stars round what is taken off
    assert all(np.ptp(surface[faint]) < 1e-3 for surface in surfaces)
    assert found.facts["order"] == 0
    assert "one level" in found.notes[0]
    assert len(found.notes) == 1
