"""Noise taken off a linear stack."""

import numpy as np
import pytest

from finish_scenes import gain_db, odd_scenes, paint
from fourlight.stages.canvas import Canvas
from fourlight.stages.denoise import denoise


@pytest.fixture(scope="module")
def scene():
    return paint(300, 360, count=30, fwhm_px=3.0, noise_e=8.0)


@pytest.fixture(scope="module")
def result(scene):
    return denoise(scene.planes, scene.variances, scene.halves)


def test_cloud_gains_and_stars_lose_nothing(scene, result):
    # wanted: +10 dB on faint light, stars no worse than by 0.5 dB
    for c in "RGB":
        light = scene.truth[c] - scene.cloud[c]
        assert gain_db(scene.planes[c], result.planes[c], scene.truth[c], light < 1) > 10
        assert gain_db(scene.planes[c], result.planes[c], scene.truth[c], light > 40) > -0.5


def test_star_light_and_sky_stay(scene, result):
    for c in "RGB":
        for x, y in zip(scene.stars.x[:8], scene.stars.y[:8], strict=True):
            disc = np.hypot(*np.ogrid[-y : 300 - y, -x : 360 - x]) < 9
            assert result.planes[c][disc].sum() == pytest.approx(scene.planes[c][disc].sum(), rel=0.005)
        assert np.median(result.planes[c]) == pytest.approx(np.median(scene.planes[c]), rel=0.01)


def test_what_is_kept_is_judged(result):
    assert set(result.confirmed) == {"brightness", "red", "blue"}
    for found in result.confirmed.values():
        assert found.slopes.shape == (5,)
        assert found.classes.shape == found.caps.shape == (5, 4)
        low = found.classes < 0.9
        np.testing.assert_allclose(found.caps[low], np.clip(found.classes[low], 0, 1), atol=1e-6)
        assert (found.caps[~low] == 1).all()


def test_map_says_sky_is_smoothed_and_stars_are_not(scene, result):
    light = scene.truth["G"] - scene.cloud["G"]
    assert result.smoothed[light < 1].mean() > 0.9
    assert result.smoothed[light > 500].mean() < 0.1


def test_pure_noise_is_nearly_gone_however_it_changes_over_the_field():
    # wanted: at most 7 % of pure noise left; here it is four times as strong on one side as on the other
    rng = np.random.default_rng(3)
    sigma = np.linspace(1, 4, 400)[None, :] * np.ones((400, 1))
    halves = tuple(
        {c: (100 + rng.normal(size=sigma.shape) * sigma * np.sqrt(2)).astype(np.float32) for c in "RGB"}
        for _ in "ab"
    )
    planes = {c: (halves[0][c] + halves[1][c]) / 2 for c in "RGB"}
    variances = {c: (sigma**2).astype(np.float32) for c in "RGB"}
    out = denoise(planes, variances, halves)
    for c in "RGB":
        for part in (slice(0, 130), slice(270, 400)):
            assert out.planes[c][:, part].std() < 0.07 * planes[c][:, part].std()


def test_correlated_noise_goes_too():
    # drops of drizzle share samples among neighbours: noise of a 2 x 2 mean
    rng = np.random.default_rng(4)

    def drawn():
        wide = rng.normal(size=(401, 401))
        return ((wide[1:, 1:] + wide[1:, :-1] + wide[:-1, 1:] + wide[:-1, :-1]) / 4 + 10).astype(np.float32)

    halves = tuple({c: drawn() for c in "RGB"} for _ in "ab")
    planes = {c: (halves[0][c] + halves[1][c]) / 2 for c in "RGB"}
    # of such pixels the variance says half of what larger areas scatter by
    out = denoise(planes, {c: np.full((400, 400), planes[c].var(), np.float32) for c in "RGB"}, halves)
    assert out.planes["G"].std() < 0.1 * planes["G"].std()


def test_strength_zero_changes_nothing_and_input_is_left_alone(scene):
    before = {c: image.copy() for c, image in scene.planes.items()}
    out = denoise(scene.planes, scene.variances, scene.halves, strength=0)
    for c in "RGB":
        np.testing.assert_array_equal(scene.planes[c], before[c])
        np.testing.assert_allclose(out.planes[c], before[c], rtol=2e-5, atol=2e-3)


def test_the_cut_into_parts_does_not_matter(scene, result):
    tight = denoise(scene.planes, scene.variances, scene.halves, canvas=Canvas(memory_bytes=1, threads=2))
    for c in "RGB":
        np.testing.assert_allclose(tight.planes[c], result.planes[c], rtol=1e-4, atol=1e-2)


def test_without_halves_known_noise_goes(scene):
    out = denoise(scene.planes, scene.variances, None)
    assert not out.confirmed
    assert "no half stacks" in " ".join(out.notes)
    faint = scene.truth["G"] - scene.cloud["G"] < 1
    assert gain_db(scene.planes["G"], out.planes["G"], scene.truth["G"], faint) > 8


@pytest.mark.parametrize("name", odd_scenes())
def test_odd_stacks(name):
    scene = odd_scenes()[name]
    out = denoise(scene.planes, scene.variances, scene.halves)
    for c in "RGB":
        np.testing.assert_array_equal(np.isfinite(out.planes[c]), np.isfinite(scene.planes[c]))
    assert out.smoothed.shape == scene.planes["G"].shape
