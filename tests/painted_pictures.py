"""The automatic picture of painted stacks, for tests."""

from fourlight.recipe_finish import Finish
from fourlight.stages.finish import finish
from fourlight.stages.picture_parts import Source


def source_of(scene, **changes):
    given = {"halves": scene.halves, "stars": scene.stars, **changes}
    return Source(scene.planes, scene.variances, **given)


def picture_of(scene, **settings):
    return finish(source_of(scene), Finish(**settings))


def said(picture):
    return [sentence for notes in picture.notes.values() for sentence in notes]
