"""The automatic picture on painted stacks: neutral sky, colours kept, nothing burnt, odd input survived."""

import re

import numpy as np
import pytest

from fourlight.core.colour import srgb_decode
from fourlight.errors import StageError
from fourlight.frames import StarList
from fourlight.recipe_finish import LOOKS, Finish
from fourlight.stages.finish import finish
from fourlight.stages.picture_parts import Source
from painted_pictures import picture_of, said, source_of
from painted_scenes import paint


@pytest.fixture(scope="module")
def broadband():
    scene = paint(kind="broadband", ny=300, nx=420, stars=120)
    return scene, picture_of(scene)


def empty(scene, limit=0.6):
    return np.all([scene.truth[name] < limit for name in "RGB"], axis=0)


def test_sky_is_neutral_and_as_bright_as_asked(broadband):
    scene, picture = broadband
    level = np.median(picture.rgb[empty(scene)], axis=0)
    np.testing.assert_allclose(level, 0.09, atol=0.02)
    assert np.ptp(level) < 0.012


def test_gradient_is_gone():
    scene = paint(kind="none", ny=300, nx=420, stars=60, gradient=1.5)
    picture = picture_of(scene)
    quarters = [picture.rgb[y : y + 100, x : x + 140] for y in (0, 200) for x in (0, 280)]
    np.testing.assert_allclose([np.median(q, axis=(0, 1)) for q in quarters], 0.09, atol=0.015)
    note = picture.notes["gradient"][0]
    assert re.search(r"(9\d|100) % of the field lie at its level", note), "what is no object is not told here"


def test_nebula_is_bright_and_has_its_colour(broadband):
    scene, picture = broadband
    quiet = (scene.glow["R"] > 0.7 * scene.glow["R"].max()) & (scene.truth["R"] < 1.05 * scene.glow["R"])
    red, green, blue = np.median(picture.rgb[quiet], axis=0)
    assert red > 0.45
    assert red > green + 0.08
    assert blue > green


def test_stars_keep_the_order_of_their_colours(broadband):
    scene, picture = broadband
    light = srgb_decode(picture.rgb)
    good = (~scene.stars.saturated) & (scene.stars.flux[:, 1] > np.median(scene.stars.flux[:, 1]))
    warmth = np.log(scene.colour[:, 0] / scene.colour[:, 2])
    rows, columns = np.rint(scene.stars.y).astype(int), np.rint(scene.stars.x).astype(int)
    shown = np.log(np.maximum(light[rows, columns, 0], 1e-4) / np.maximum(light[rows, columns, 2], 1e-4))
    assert np.corrcoef(warmth[good], shown[good])[0, 1] > 0.9
    red, blue = good & (warmth > 0.8), good & (warmth < -0.6)
    assert (shown[red] > 0.3).all()
    assert (shown[blue] < -0.1).all()


def test_the_typical_star_is_neutral_without_a_green_cast():
    scene = paint(kind="none", ny=300, nx=420, stars=300)
    picture = picture_of(scene)
    rows, columns = np.rint(scene.stars.y).astype(int), np.rint(scene.stars.x).astype(int)
    shown = srgb_decode(picture.rgb[rows, columns]).astype(float)
    middle = np.median(shown / shown.mean(axis=1, keepdims=True), axis=0)
    assert middle[1] / middle.mean() == pytest.approx(1.0, abs=0.12)


def test_saturated_cores_are_not_magenta_and_not_holes():
    scene = paint(kind="none", ny=200, nx=200, stars=8, brightest=2e7, full=20000.0, seed=9)
    picture = picture_of(scene)
    full = np.flatnonzero(scene.stars.saturated)
    assert len(full) >= 2
    for k in full:
        row, column = round(scene.stars.y[k]), round(scene.stars.x[k])
        red, green, blue = picture.rgb[row, column]
        assert green > min(red, blue) - 0.02
        around = picture.rgb[max(row - 4, 0) : row + 5, max(column - 4, 0) : column + 5].mean(axis=2)
        assert picture.rgb[row, column].mean() > around.max() - 0.03
    assert (picture.rgb.min(axis=2) >= 0.995).mean() < 0.001


def test_smoothing_lowers_the_noise_and_zero_leaves_it():
    scene = paint(kind="none", ny=200, nx=200, stars=0)
    rough, smooth = (picture_of(scene, denoise={"strength": s}).rgb for s in (0.0, 1.0))
    assert np.abs(np.diff(smooth, axis=1)).mean() < 0.35 * np.abs(np.diff(rough, axis=1)).mean()


def test_dual_band_gives_red_and_teal():
    scene = paint(kind="dual", ny=300, nx=420, stars=40)
    picture = picture_of(scene)
    stars = scene.truth["G"] - scene.glow["G"]
    teal = (scene.glow["G"] > 7) & (scene.glow["R"] < scene.glow["G"] / 2) & (stars < 1)
    assert teal.sum() > 50
    red, green, blue = np.median(picture.rgb[teal], axis=0)
    assert min(green, blue) > red + 0.02
    assert abs(green - blue) < 0.1


def test_dust_darker_than_the_sky_is_dark_and_not_green():
    # a cloud of dust takes a reddish glow away: red lies lowest there
    scene = paint(kind="none", ny=300, nx=420, stars=40)
    y, x = np.mgrid[:300, :420]
    dust = np.exp(-(((y - 150) / 22) ** 2 + ((x - 210) / 22) ** 2))
    for name, depth in (("R", 9.0), ("G", 4.0), ("B", 4.0)):
        for planes in (scene.planes, *scene.halves):
            planes[name] -= (depth * dust).astype(np.float32)
    red, green, blue = np.median(picture_of(scene).rgb[dust > 0.8], axis=0)
    assert max(red, green, blue) < 0.09
    assert max(green, blue) - red < 0.03


@pytest.mark.parametrize(
    "settings",
    [
        {"stretch": {"saturation": 0.0}}, {"stretch": {"saturation": 3.0}}, {"gradient": {"order": 0}},
        {"stretch": {"background": 0.3}}, {"gradient": {"use": False}}, {"colour": {"use": False}},
        {"denoise": {"use": False}}, {"sharpen": {"use": False}}, {"stars": {"light": 0.0}},
        {"stretch": {"contrast": 2.0}},
        *({"look": look} for look in LOOKS),
    ],
)  # fmt: skip
def test_every_setting_gives_a_finite_picture(settings):
    rgb = picture_of(paint(ny=120, nx=140, stars=20), **settings).rgb
    assert rgb.dtype == np.float32
    assert np.isfinite(rgb).all()
    assert rgb.min() >= 0
    assert rgb.max() <= 1
    if settings.get("stretch", {}).get("saturation") == 0.0:
        assert np.abs(rgb - rgb.mean(axis=2, keepdims=True)).max() < 1e-3


def test_the_frame_is_cropped_to_what_is_covered():
    scene = paint(kind="none", ny=240, nx=300, stars=40)
    for images in (scene.planes, scene.variances, *scene.halves):
        for image in images.values():
            image[:, :30] = np.nan
            image[200:] = np.nan
    for variance in scene.variances.values():
        variance[:20] *= 30
    picture = picture_of(scene)
    y0, y1, x0, x1 = picture.window
    assert 18 <= y0 <= 24
    assert 196 <= y1 <= 200
    assert 28 <= x0 <= 34
    assert x1 == 300
    assert picture.rgb.shape == (y1 - y0, x1 - x0, 3)
    assert any("well-covered" in note for note in said(picture))
    edge = np.median(picture.rgb[:, :4], axis=(0, 1))
    assert np.ptp(edge) < 0.08


def test_a_rotated_corner_leaves_no_black_wedge():
    scene = paint(kind="none", ny=240, nx=300, stars=30)
    y, x = np.mgrid[:240, :300]
    outside = (x + y < 150) | (x - y > 150) | (y - x > 90)
    for images in (scene.planes, scene.variances, *scene.halves):
        for image in images.values():
            image[outside] = np.nan
    picture = picture_of(scene)
    y0, y1, x0, x1 = picture.window
    np.testing.assert_allclose(picture.rgb[outside[y0:y1, x0:x1]], 0.09, atol=0.06)
    assert (picture.rgb.max(axis=2) < 0.03).mean() < 1e-3


def test_a_hot_pixel_of_variance_or_a_bright_star_does_not_crop():
    scene = paint(ny=200, nx=240, stars=30, brightest=5e6)
    for variance in scene.variances.values():
        variance[100, 100] = np.inf
    assert picture_of(scene).window == (0, 200, 0, 240)


def test_an_empty_plane_is_stood_in_for_and_said():
    scene = paint(ny=120, nx=140, stars=20)
    for images in (scene.planes, scene.variances, *scene.halves):
        images["B"][:] = np.nan
    picture = picture_of(scene)
    assert np.isfinite(picture.rgb).all()
    assert any("B plane" in note for note in said(picture))


def test_no_plane_at_all_is_refused():
    scene = paint(ny=40, nx=40, stars=0)
    for name in "RGB":
        scene.planes[name][:] = np.nan
    with pytest.raises(StageError, match="no plane"):
        picture_of(scene)


@pytest.mark.parametrize(
    "changes",
    [
        {"ny": 40, "nx": 40, "stars": 3},
        {"ny": 40, "nx": 40, "stars": 0},
        {"ny": 9, "nx": 7, "stars": 0, "kind": "none"},
        {"ny": 100, "nx": 120, "stars": 1},
        {"ny": 100, "nx": 120, "frames": 2, "noise": 80.0},
        {"ny": 160, "nx": 160, "stars": 400, "kind": "none", "sigma": 0.5},
    ],
)
def test_odd_stacks_give_a_picture(changes):
    picture = picture_of(paint(**changes))
    assert np.isfinite(picture.rgb).all()
    assert picture.rgb.std() > 0


def test_without_halves_and_stars_the_notes_say_so():
    scene = paint(ny=120, nx=140, stars=0)
    picture = finish(source_of(scene, halves=None, stars=None), Finish())
    assert any("no star" in note for note in said(picture))
    assert any("known noise" in note for note in said(picture))
    nothing = StarList(
        *(np.zeros(0) for _ in range(2)),
        *(np.zeros((0, 4)) for _ in range(2)),
        *(np.zeros(0) for _ in range(2)),
        np.zeros(0, bool),
    )
    again = finish(source_of(scene, halves=None, stars=nothing), Finish())
    np.testing.assert_array_equal(picture.rgb, again.rgb)


def test_constant_stack_is_an_even_picture():
    flat = {name: np.full((60, 80), 500.0, dtype=np.float32) for name in "RGB"}
    variance = {name: np.ones((60, 80), dtype=np.float32) for name in "RGB"}
    rgb = finish(Source(flat, variance, (flat, flat), None), Finish()).rgb
    np.testing.assert_allclose(rgb, 0.09, atol=1e-3)


def test_input_is_not_changed():
    scene = paint(ny=80, nx=90, stars=10)
    before = {name: plane.copy() for name, plane in scene.planes.items()}
    picture_of(scene)
    for name in "RGB":
        np.testing.assert_array_equal(before[name], scene.planes[name])
