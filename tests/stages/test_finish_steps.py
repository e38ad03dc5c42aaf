"""Steps of the picture: what each does, what is told of it, and what of it is kept."""

import numpy as np
import pytest
from skimage.color import rgb2lab

from finish_scenes import paint as painted_stack
from fourlight.recipe_finish import LOOKS, Finish
from fourlight.stages import finish_steps
from fourlight.stages.balance import White
from fourlight.stages.finish import STEPS, finish
from fourlight.stages.picture_parts import Made
from painted_pictures import picture_of, source_of
from painted_scenes import paint


def empty(scene, limit=0.6):
    return np.all([scene.truth[name] < limit for name in "RGB"], axis=0)


def test_looks_go_from_restrained_to_bold():
    """Colour as CIE chroma of the object, by scikit-image; the empty sky stays where the look has it."""
    scene = paint(kind="broadband", ny=200, nx=260, stars=30)
    bright = scene.glow["R"] > 0.5 * scene.glow["R"].max()
    chroma = []
    for name, look in LOOKS.items():
        picture = picture_of(scene, look=name)
        rgb = picture.rgb
        np.testing.assert_allclose(np.median(rgb[empty(scene)]), look.background, atol=0.02)
        lab = rgb2lab(rgb)
        chroma.append(np.median(np.hypot(lab[..., 1], lab[..., 2])[bright]))
        assert f"the look {name}, empty sky at {look.background:g}" in picture.notes["stretch"][0]
    assert chroma == sorted(chroma)
    assert chroma[-1] > 1.5 * chroma[0]


def test_a_brightness_that_noise_does_not_allow_is_told_as_it_became():
    faint, strong = (paint(ny=200, nx=260, stars=30, noise=noise) for noise in (60.0, 3.0))
    wanted = {"stretch": {"bright": 0.9}}
    said = picture_of(faint, **wanted).notes["stretch"][0]
    assert "(0.9 is wanted: brighter, the noise of the sky would be seen" in said
    reached = float(said.split("bright parts of the object at ")[1].split(" ")[0])
    assert 0.1 < reached < 0.89
    assert "is wanted" not in picture_of(strong, look="plain").notes["stretch"][0]


def test_the_curve_is_that_of_stars_as_they_are_shown(monkeypatch):
    """Bright stars that are shown fainter made a galaxy darker: the curve went by what they were."""
    seen, real = [], finish_steps.curve_for

    def curve_for(*given):
        seen.append(given[2])
        return real(*given)

    monkeypatch.setattr(finish_steps, "curve_for", curve_for)
    scene = painted_stack(200, 260, count=30, fwhm_px=4.0, flux=(2e4, 4e5))
    for share in (1.0, 0.4, 0.0):
        finish(source_of(scene), Finish.model_validate({"stars": {"light": share}}))
    whole, fainter, none = seen
    assert len(whole) == 30
    np.testing.assert_allclose(fainter, 0.4 * whole)
    assert len(none) == 0


def test_steps_are_seen_in_their_order_and_kept_channels_are_used():
    scene = painted_stack(200, 260, count=30, fwhm_px=4.0, flux=(2e4, 4e5))
    seen, asked = [], []
    settings = Finish.model_validate({"stars": {"light": 0.5}})
    whole = finish(source_of(scene), settings, seen=lambda step, *_: seen.append(step))
    assert seen == ["stack", *STEPS[:-1]]
    kept = [np.zeros(whole.rgb.shape[:2], np.float32) for _ in range(9)]

    def shelf(step, make):
        asked.append(step)
        if step == "starlight":
            return make()
        counts = {"sharpen": 6, "denoise": 4}
        return Made(kept[: counts.get(step, 3)], {"notes": [f"kept of {step}"]})

    again = finish(source_of(scene), settings, shelf=shelf)
    assert asked == ["starlight", "starless", "sharpen", "sharpen starless", "denoise", "stars"]
    assert again.rgb.std() < 0.01 < whole.rgb.std()
    assert again.notes["sharpen"] == ("kept of sharpen",)


def test_what_the_sky_is_like_changes_nothing_but_noise():
    """Colours are ratios to the light above it, in the stack and in its halves; here its noise stays as it was.

    With the sky in the halves the light was off by up to 22 standard deviations of a pixel. Limits are ours.
    """
    dark, light = (paint(kind="broadband", ny=200, nx=260, stars=30) for _ in "ab")
    for planes in (light.planes, *light.halves):
        for name, level in {"R": 2000.0, "G": 900.0, "B": 300.0}.items():
            planes[name] += np.float32(level)
    one, other = (picture_of(scene, colour={"use": False}) for scene in (dark, light))
    for k, name in enumerate("RGB"):
        off = (other.light[k] - one.light[k]) / np.sqrt(np.median(dark.variances[name]))
        assert np.abs(off).max() < 2
        assert np.sqrt(np.mean(np.square(off))) < 0.05
    for name, slopes in one.facts["denoise"]["slopes"].items():
        np.testing.assert_allclose(other.facts["denoise"]["slopes"][name], slopes, atol=0.02)


def test_a_bright_sky_hides_no_confirmed_detail_from_sharpening():
    """Full pixels are told from light above the sky: halves that had it in them were all full."""
    dark, light = (painted_stack(260, 340, count=40, fwhm_px=4.0, flux=(2e4, 4e5), full=8e3) for _ in "ab")
    for planes in (light.planes, *light.halves):
        for name in planes:
            planes[name] += np.float32(2e4)
    one, other = (picture_of(scene).facts["sharpen"] for scene in (dark, light))
    assert one["target_px"] == pytest.approx(other["target_px"], rel=0.01)


def test_white_of_catalogue_stars_goes_before_the_typical_star():
    scene = paint(ny=120, nx=140, stars=20)
    told = {
        "white": {
            "factors": {"R": 2.0, "G": 1.0, "B": 3.0},
            "error": {"R": 0.01, "G": 0.01, "B": 0.01},
            "b_v": 0.65,
        }
    }
    white = White.told(told)
    assert white is not None
    by_catalogue = finish(source_of(scene, white=white), Finish())
    by_field = finish(source_of(scene, white=white), Finish.model_validate({"colour": {"white": "field"}}))
    plain = finish(source_of(scene), Finish())
    assert by_catalogue.notes["colour"] == (
        "Colour: a star of B-V 0.65 is white, by catalogue stars (R x 2.00 ± 0.03, B x 3.00 ± 0.04 against G).",
    )
    np.testing.assert_array_equal(by_field.rgb, plain.rgb)
    assert np.abs(by_catalogue.rgb - plain.rgb).max() > 0.05


def test_white_that_is_hardly_known_does_not_count():
    told = {"factors": dict.fromkeys("RGB", 1.0), "error": {"R": 0.2, "G": 0.01, "B": 0.01}, "b_v": 0.65}
    assert White.told({"white": told}) is None
    assert White.told({}) is None


def test_stars_can_be_dimmed_and_both_layers_add_up_to_the_picture():
    scene = paint(ny=300, nx=420, stars=120)
    whole, dim, none = (picture_of(scene, stars={"light": share}) for share in (1.0, 0.4, 0.0))
    assert whole.starless is None
    rest = dim.starless
    for k in range(3):
        # wanted: to 1e-6 of the light
        largest = 1e-6 * np.abs(whole.light[k]).max()
        np.testing.assert_allclose(
            rest[k] + 0.4 * (whole.light[k] - rest[k]), dim.light[k], atol=largest, rtol=1e-6
        )
        np.testing.assert_allclose(rest[k], none.light[k], atol=largest, rtol=1e-6)
    bright = np.argsort(-scene.stars.flux[:, 1])[:20]
    rows, columns = (np.rint(each[bright]).astype(int) for each in (scene.stars.y, scene.stars.x))
    peaks = [picture.rgb[rows, columns].mean(axis=1) for picture in (whole, dim, none)]
    assert (peaks[1] < peaks[0]).all()
    assert np.median(peaks[2]) < 0.6 * np.median(peaks[0])
    assert "40 % of their light" in " ".join(dim.notes["stars"])


def test_without_stars_to_take_off_nothing_is_said_to_be_fainter():
    dim = picture_of(paint(ny=120, nx=140, stars=0), stars={"light": 0.4})
    assert dim.starless is None
    assert "No stars were taken off" in " ".join(dim.notes["stars"])
    assert "40 %" not in " ".join(dim.notes["stars"])


def test_local_contrast_lifts_structure_and_leaves_empty_sky():
    scene = paint(ny=300, nx=420, stars=0)
    flat, strong = (picture_of(scene, stretch={"contrast": amount}).rgb.mean(axis=2) for amount in (0.0, 1.0))
    dark = empty(scene, 0.2)
    np.testing.assert_allclose(strong[dark], flat[dark], atol=0.02)
    cloud = scene.glow["G"] > 0.3 * scene.glow["G"].max()
    assert strong[cloud].std() > 1.1 * flat[cloud].std()


def test_what_was_measured_in_the_steps_is_told():
    picture = picture_of(paint(ny=200, nx=300, stars=60, sigma=2.4))
    assert picture.facts["denoise"]["slopes"].keys() == {"brightness", "red", "blue"}
    assert 0 < picture.facts["denoise"]["kept_area_share"] < 1
    assert picture.taken.shape == picture.rgb.shape[:2]
    assert picture.facts["sharpen"]["notes"]
    told = picture_of(paint(ny=200, nx=300, stars=60), denoise={"use": False}, sharpen={"use": False})
    assert told.taken is None
    assert told.facts.keys() == {"gradient", "colour"}
    assert all(error > 0 for error in told.facts["gradient"]["error"].values())


def test_sharpening_narrows_stars_that_are_wide_enough():
    scene = painted_stack(260, 340, count=40, fwhm_px=4.0, flux=(2e4, 4e5))
    soft, sharp = picture_of(scene, sharpen={"use": False}), picture_of(scene)
    rows, columns = (np.rint(each[3:12]).astype(int) for each in (scene.stars.y, scene.stars.x))
    assert np.median(sharp.light[1][rows, columns] / soft.light[1][rows, columns]) > 1.2
    assert sharp.facts["sharpen"]["target_px"] < 3.3 < sharp.facts["sharpen"]["fwhm_px"]["G"]
    unsharp = picture_of(scene, sharpen={"strength": 0.0})
    np.testing.assert_array_equal(unsharp.light[1], soft.light[1])
