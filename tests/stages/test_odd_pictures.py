"""Pictures of stacks that are tiny, long, empty, full or full of holes, with every step on."""

from dataclasses import replace

import numpy as np
import pytest

from finish_scenes import odd_scenes, paint
from fourlight.errors import StageError
from fourlight.recipe_finish import Finish
from fourlight.stages.finish import finish
from fourlight.stages.picture_parts import Source

EVERY = Finish.model_validate({"look": "bold", "stars": {"light": 0.4}, "files": {"wide": True}})


def cut(scene, rows, columns):
    """A part of a painted stack; its stars stay where they were, so that most lie outside."""

    def part(planes):
        return {c: np.ascontiguousarray(image[rows, columns]) for c, image in planes.items()}

    halves = tuple(part(half) for half in scene.halves)
    return replace(scene, planes=part(scene.planes), variances=part(scene.variances), halves=halves)


def all_full():
    scene = paint(80, 90, count=3)
    for image in (plane for planes in (scene.planes, *scene.halves) for plane in planes.values()):
        image[:] = 6e4
    return scene


SCENES = odd_scenes() | {
    "8 x 8": cut(paint(40, 40, count=1, seed=2), slice(0, 8), slice(0, 8)),
    "30 x 30": paint(30, 30, count=1, seed=2),
    "900 x 8": cut(paint(60, 900, count=12, seed=5), slice(20, 28), slice(0, 900)),
    "3 x 900": cut(paint(900, 60, count=12, seed=5), slice(0, 900), slice(20, 23)),
    "all full": all_full(),
}
BLANK = "nothing covered"


@pytest.mark.parametrize("name", [name for name in SCENES if name != BLANK])
@pytest.mark.parametrize("halved", [True, False])
def test_odd_stacks_with_every_step(name, halved):
    scene = SCENES[name]
    picture = finish(
        Source(scene.planes, scene.variances, scene.halves if halved else None, scene.stars), EVERY
    )
    assert np.isfinite(picture.rgb).all()
    assert picture.rgb.min() >= 0
    assert picture.rgb.max() <= 1
    if name in ("empty sky", "all full", "8 x 8", "30 x 30"):  # what is even is shown as sky, and grey
        assert np.median(picture.rgb) == pytest.approx(0.06, abs=0.015)
    assert picture.wide is not None
    assert picture.wide.shape == picture.rgb.shape
    assert all(np.isfinite(light).all() for light in picture.light) or name == "holes"


def test_a_stack_of_nothing_is_refused_in_one_line():
    scene = SCENES[BLANK]
    with pytest.raises(StageError, match="no plane of the stack holds pixels"):
        finish(Source(scene.planes, scene.variances, scene.halves, scene.stars), EVERY)
