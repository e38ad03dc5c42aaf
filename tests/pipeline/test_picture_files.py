"""Files of a picture: what they hold where nothing was seen, and crops that leave nothing."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits

from fields import raw_frame
from fourlight.errors import InputError
from fourlight.io.export import own_tiff
from fourlight.pipeline.picture import check_crop, write_picture
from fourlight.recipe import Recipe, with_settings
from fourlight.recipe_finish import Finish
from fourlight.report.step_views import StepViews
from fourlight.stages.canvas import Canvas
from fourlight.stages.finish import finish
from painted_pictures import source_of
from painted_scenes import paint


def test_light_before_the_curve_is_none_where_no_frame_covers(tmp_path: Path) -> None:
    scene: Any = paint(kind="none", ny=240, nx=300, stars=30)
    y, x = np.mgrid[:240, :300]
    outside = (x + y < 150) | (x - y > 150) | (y - x > 90)
    for images in (scene.planes, scene.variances, *scene.halves):
        for image in images.values():
            image[outside] = np.nan
    settings = Finish.model_validate({"files": {"linear": True}, "stars": {"light": 0.5}})
    views = StepViews(Canvas())
    picture = finish(source_of(scene), settings, seen=views)
    write_picture(tmp_path, picture, views, settings, 1, {"unit": "electron"})
    y0, y1, x0, x1 = picture.window
    gone = outside[y0:y1, x0:x1]
    assert gone.sum() > 100
    with fits.open(tmp_path / "picture.fits") as file:
        for unit in file[1:]:
            assert np.isnan(unit.data[gone]).mean() > 0.9, "but for its rim"
            assert np.isfinite(unit.data[~gone]).mean() > 0.98
    assert own_tiff(tmp_path / "picture.tif").min() > 0, "what is shown is faded, not black"


def test_a_picture_in_grey_and_balanced_is_kept_small_as_it_is_shown() -> None:
    scene: Any = paint(ny=60, nx=80, stars=10)
    views = StepViews(Canvas())
    planes = [scene.planes[c] for c in "RGB"]
    shares = np.array([[0.2, 0.3, 0.5], [1.0, 0.0, 0.0], [0.0, 2.0, 0.0]])
    views("luminance", planes, shares)
    for seen, mixture in zip(views._planes["luminance"], shares, strict=True):
        np.testing.assert_allclose(seen, np.tensordot(mixture, np.array(planes), 1), rtol=1e-5)


@pytest.mark.parametrize(("grid", "crop", "fits_in"), [
    ("1x", "[380,280,400,300]", True), ("1x", "[390,280,500,300]", False), ("2x", "[700,500,900,700]", True),
])  # fmt: skip
def test_a_crop_beyond_all_lights_is_refused_before_anything_is_done(
    grid: str, crop: str, fits_in: bool
) -> None:
    lights = [raw_frame("a.fits", (200, 160)), raw_frame("b.fits", (300, 400))]
    recipe = with_settings(Recipe(), [f"integrate.grid={grid}", f"finish.frame.crop={crop}"])
    if fits_in:
        check_crop(recipe, lights)
    else:
        with pytest.raises(InputError, match=r"leaves 10 x 20 px of the picture, which shows 0,0,400,300"):
            check_crop(recipe, lights)


@pytest.mark.parametrize("content", [b"", b"II*\0", b"II*" + bytes(300), b"II*\0\x08\0\0\0\x01\0\0\1\3\0\1"])
def test_a_file_that_is_no_picture_is_told(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "picture.tif").write_bytes(content)
    with pytest.raises(OSError, match=r"picture|empty"):
        own_tiff(tmp_path / "picture.tif")
