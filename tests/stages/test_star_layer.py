"""Stars and everything else, apart."""

import tracemalloc
from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from finish_scenes import moffat, odd_scenes, paint
from fourlight.core.starlet import starlet
from fourlight.stages import star_channel
from fourlight.stages.canvas import Canvas
from fourlight.stages.denoise import denoise
from fourlight.stages.star_layer import split_stars
from fourlight.stages.star_search import points


@pytest.fixture(scope="module")
def scene():
    return paint(260, 340, count=60, fwhm_px=2.6, flux=(3e2, 3e5))


@pytest.fixture(scope="module")
def layers(scene):
    return split_stars(scene.planes, scene.variances, scene.stars)


def test_layers_add_up(scene, layers):
    for c in "RGB":
        total = layers.stars[c] + layers.starless[c]
        np.testing.assert_allclose(total, scene.planes[c], rtol=1e-6)


def test_the_rest_is_the_cloud(scene, layers):
    for c in "RGB":
        noise = np.sqrt(np.median(scene.variances[c]))
        off = (layers.starless[c] - scene.cloud[c]) / noise
        # no holes, no black dots, no halos: what noise leaves, under stars as beside them
        assert off.min() > -7
        assert off.max() < 7
        lit = scene.truth[c] - scene.cloud[c] > noise
        assert abs(off[lit].mean()) < 0.3
        assert off[lit].std() < 1.2


def test_the_stars_hold_their_light(scene, layers):
    for c in "RGB":
        light = (scene.truth[c] - scene.cloud[c]).sum()
        assert layers.stars[c].sum() == pytest.approx(light, rel=0.01)
    # what the profile misses of the brightest may count as a star beside them
    assert len(scene.stars) - 3 <= len(layers.x) < 1.2 * len(scene.stars)


def test_full_stars_leave_neither_hole_nor_halo():
    scene = paint(200, 240, count=14, fwhm_px=3.0, flux=(5e3, 3e6), full=2e4, seed=5)
    out = split_stars(scene.planes, scene.variances, scene.stars, full=1.7e4)
    assert (scene.planes["G"] > 1.7e4).sum() > 20
    for c in "RGB":
        off = (out.starless[c] - scene.cloud[c]) / np.sqrt(np.median(scene.variances[c]))
        assert np.abs(off).max() < 9


def test_full_stars_that_one_channel_cannot_tell_are_taken_off_all_the_same(monkeypatch):
    """Red finds no star in its groups of full pixels, green and blue do."""
    scene = paint(200, 240, count=14, fwhm_px=3.0, flux=(5e3, 3e6), full=2e4, seed=5)
    real = star_channel.refitted

    def blind(left, plane, core, *given, **how):
        found = real(left, plane, core, *given, **how)
        return replace(found, stars=found.stars[:0]) if plane is scene.planes["R"] else found

    monkeypatch.setattr(star_channel, "refitted", blind)
    out = split_stars(scene.planes, scene.variances, scene.stars, full=1.7e4)
    rows, columns = (np.rint(each).astype(int) for each in (scene.stars.y, scene.stars.x))
    full = np.flatnonzero(scene.planes["G"][rows, columns] >= 1.99e4)
    assert len(full) >= 3
    for x, y in zip(scene.stars.x[full], scene.stars.y[full], strict=True):
        assert np.hypot(out.x - x, out.y - y).min() < 0.5


def test_a_knot_is_no_star():
    scene = paint(220, 260, count=30, fwhm_px=2.6, flux=(1e3, 1e5), seed=3)
    knot = 3e3 * moffat(130.3, 110.2, 7.0, (220, 260))
    for c in "RGB":
        for image in (scene.planes[c], *(half[c] for half in scene.halves)):
            image += knot.astype(np.float32)
    out = split_stars(scene.planes, scene.variances, scene.stars)
    assert np.hypot(out.x - 130.3, out.y - 110.2).min() > 4
    disc = np.hypot(*np.ogrid[-110.2:109.8, -130.3:129.7]) < 6
    for c in "RGB":
        left = (out.starless[c] - scene.cloud[c])[disc].sum()
        assert left == pytest.approx(knot[disc].sum(), rel=0.05)


def test_the_cut_into_parts_does_not_matter(scene, layers):
    tight = split_stars(scene.planes, scene.variances, scene.stars, canvas=Canvas(memory_bytes=1, threads=2))
    for c in "RGB":
        off = np.abs(tight.starless[c] - layers.starless[c]) / np.sqrt(scene.variances[c])
        assert off.max() < 1
        assert (off > 0.1).mean() < 1e-3


@pytest.mark.parametrize("name", odd_scenes())
def test_odd_stacks(name):
    scene = odd_scenes()[name]
    out = split_stars(scene.planes, scene.variances, scene.stars)
    for c in "RGB":
        known = np.isfinite(scene.planes[c])
        np.testing.assert_array_equal(np.isfinite(out.starless[c]), known)
        np.testing.assert_allclose((out.stars[c] + out.starless[c])[known], scene.planes[c][known], rtol=1e-6)


def test_under_stars_of_a_smoothed_stack_the_grain_is_that_of_around(scene):
    quiet = denoise(scene.planes, scene.variances, scene.halves)
    out = split_stars(quiet.planes, scene.variances, scene.stars)
    for c in "RGB":
        np.testing.assert_allclose(out.stars[c] + out.starless[c], quiet.planes[c], rtol=1e-6)
        lit = (scene.truth[c] - scene.cloud[c]) / np.sqrt(np.median(scene.variances[c]))
        left = (quiet.planes[c] - scene.truth[c]).astype(np.float32)
        rest = (out.starless[c] - scene.cloud[c]).astype(np.float32)
        for before, after in list(zip(starlet(left, 2), starlet(rest, 2), strict=True))[:2]:
            around = (lit > 0.005) & (lit < 0.03)
            for low, high in ((0.3, 2), (2, 10), (10, 60)):
                under = (lit > low) & (lit < high)
                assert before[under].std() > 1.5 * before[around].std()
                assert 0.7 * before[around].std() < after[under].std() < 2.2 * before[around].std()


def test_memory_of_a_part_is_what_is_told(scene):
    plane, model = scene.planes["G"], scene.truth["G"] - scene.cloud["G"]
    left, full = plane - model, model > 2e4

    def filled():
        hidden = star_channel._hidden(left, model, full, 2.0)
        star_channel.evened(left, model, hidden, scene.variances["G"], 2.0)

    filled()
    tracemalloc.start()
    try:
        filled()
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert 0.7 * star_channel.PIXEL_BYTES < peak / plane.size < star_channel.PIXEL_BYTES


@pytest.mark.parametrize(("spread_px", "seed", "most"), [(9, 3, 3), (9, 4, 15), (14, 3, 3), (20, 4, 12)])
def test_what_is_filled_has_the_colour_of_what_is_around(spread_px, seed, most):
    """A cluster of full stars, of which red is full in fewer pixels, on an even cloud; limits are ours.

    Two draws leave 9 to 11 standard deviations of a pixel: stars that stand between the others are not told apart.
    """
    scene = paint(200, 240, count=60, fwhm_px=3.2, flux=(2e3, 5e4), cloud_e=30.0, seed=8)
    rng = np.random.default_rng(seed)
    planes = {}
    places = rng.normal(120, spread_px, 14), rng.normal(100, spread_px, 14), rng.uniform(2e5, 1e6, 14)
    more = sum(light * moffat(x, y, 3.2, (200, 240), over=3) for x, y, light in zip(*places, strict=True))
    for c, share in (("R", 0.4), ("G", 1.0), ("B", 0.8)):
        planes[c] = np.minimum(scene.planes[c] + share * more, 2e4).astype(np.float32)
    out = split_stars(planes, scene.variances, scene.stars, full=1.7e4)
    noise = {c: np.sqrt(np.median(scene.variances[c])) for c in "RGB"}
    off = {c: gaussian_filter(out.starless[c] - scene.cloud[c], 3)[60:140, 80:160] / noise[c] for c in "RGB"}
    assert max(np.abs(off[c]).max() for c in "RGB") < most
    assert max(np.quantile(np.abs(off[c] - off["G"]), 0.95) for c in "RB") < most


def test_points_are_found_where_they_are_and_nebulae_are_none(scene):
    found = points(scene.planes, scene.variances, 2.6, Canvas())
    bright = scene.flux > 2000
    for x, y in zip(scene.stars.x[bright], scene.stars.y[bright], strict=True):
        assert np.hypot(found[:, 0] - x, found[:, 1] - y).min() < 0.4
    assert len(found) < len(scene.stars) + 8
    blank = {c: np.full((60, 70), np.nan, np.float32) for c in "RGB"}
    assert len(points(blank, {c: np.ones((60, 70), np.float32) for c in "RGB"}, 2.6, Canvas())) == 0
