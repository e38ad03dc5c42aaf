"""Room that the picture takes on the disk while it is made, against what is reckoned for it."""

import weakref
from typing import Any

import numpy as np
import pytest

from finish_scenes import paint
from fourlight.pipeline import space
from fourlight.recipe_finish import Finish
from fourlight.stages.canvas import Canvas
from fourlight.stages.finish import finish
from fourlight.stages.picture_parts import Source


@pytest.mark.parametrize(("light", "reckoned"), [
    (1.0, space.CANVAS_BYTES), (0.5, space.CANVAS_BYTES + space.STARLESS_BYTES),
])  # fmt: skip
def test_no_more_is_taken_than_reckoned(light: float, reckoned: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Sharpened, and with a gap that is filled: both take room."""
    held, real = {"now": 0, "most": 0}, Canvas.new

    def gone(size: int) -> None:
        held["now"] -= size

    def new(self: Canvas, shape: tuple[int, ...]) -> Any:
        array = real(self, shape)
        held["now"] += array.nbytes
        held["most"] = max(held["most"], held["now"])
        weakref.finalize(array, gone, array.nbytes)
        return array

    monkeypatch.setattr(Canvas, "new", new)
    scene = paint(700, 720, count=120, fwhm_px=4.0, flux=(2e4, 4e5))
    for images in (scene.planes, scene.variances):
        for image in images.values():
            image[300:303, 200:400] = np.nan
    source = Source(scene.planes, scene.variances, scene.halves, scene.stars)
    picture = finish(source, Finish.model_validate({"stars": {"light": light}}), Canvas(memory_bytes=1e8))
    assert "brought towards" in picture.notes["sharpen"][0]
    assert 0.7 * reckoned < held["most"] / (700 * 720) <= reckoned
