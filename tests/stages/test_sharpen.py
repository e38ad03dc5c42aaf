"""Stacks made sharper, or left as they are with the reason."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import ndimage, optimize

from finish_scenes import odd_scenes, paint
from fourlight.core import refocus
from fourlight.stages.canvas import Canvas
from fourlight.stages.sharpen import sharpen


@pytest.fixture(scope="module")
def scene():
    return paint(260, 340, count=40, fwhm_px=4.0, flux=(2e4, 4e5))


@pytest.fixture(scope="module")
def result(scene):
    return sharpen(scene.planes, scene.variances, scene.halves, scene.stars)


def width_px(image, x, y, level):
    """Full width at half maximum of a Moffat profile fitted to the pixels around a star."""
    apart = np.hypot(*np.ogrid[-y : image.shape[0] - y, -x : image.shape[1] - x])
    near = apart < 7
    light = (image - level)[near]

    def profile(r, height, width, beta):
        return height * (1 + (2 ** (1 / beta) - 1) * (2 * r / width) ** 2) ** -beta

    start, bounds = (light.max(), 4.0, 3.0), ([0, 0.5, 1.2], [np.inf, 20, 20])
    return optimize.curve_fit(profile, apart[near], light, start, bounds=bounds)[0][1]


def test_stars_are_a_fifth_narrower_and_keep_their_light(scene, result):
    # wanted: widths down by 20 % or more, flux within 1 %
    assert result.done
    assert 2.0 <= result.plan.target_px < 3.3
    for c in "RGB":
        widths, lights = [], []
        for x, y in zip(scene.stars.x[:12], scene.stars.y[:12], strict=True):
            before, after = (width_px(p[c], x, y, scene.cloud[c]) for p in (scene.planes, result.planes))
            widths.append(after / before)
            disc = np.hypot(*np.ogrid[-y : 260 - y, -x : 340 - x]) < 14
            lights.append(
                (result.planes[c] - scene.cloud[c])[disc].sum()
                / (scene.planes[c] - scene.cloud[c])[disc].sum()
            )
        assert np.median(widths) < 0.82
        assert np.median(lights) == pytest.approx(1, abs=0.01)


def test_no_star_has_a_dark_ring(scene, result):
    # wanted: none deeper than 2 sigma
    for c in "RGB":
        off = (result.planes[c] - scene.cloud[c]) / np.sqrt(scene.variances[c])
        for x, y in zip(scene.stars.x[:12], scene.stars.y[:12], strict=True):
            apart = np.hypot(*np.ogrid[-y : 260 - y, -x : 340 - x])
            assert min(off[(apart >= r) & (apart < r + 1)].mean() for r in range(4, 14)) > -2


def test_empty_sky_is_left_alone(scene, result):
    sky = scene.truth["G"] - scene.cloud["G"] < 0.05 * np.sqrt(scene.variances["G"])
    before, after = ((p["G"] - scene.truth["G"])[sky].std() for p in (scene.planes, result.planes))
    assert after < 1.25 * before


def test_nothing_finer_is_added_than_what_the_halves_confirm(scene, result):
    """Power of what is added at the frequencies of a checkerboard and of lines, over the noise, by numpy."""
    frequency = np.abs(np.fft.fftfreq(256))
    across, along = frequency[:, None], frequency
    finer = np.maximum(across, along) > 0.46
    rim = np.outer(*[np.hanning(256)] * 2)
    assert 0.2 < result.plan.finest <= 1 / 3 + 1e-9
    for c in "RGB":
        added, noise = (
            np.abs(np.fft.fft2(image[:256, :256] * rim)) ** 2
            for image in (result.planes[c] - scene.planes[c], (scene.halves[0][c] - scene.halves[1][c]) / 2)
        )
        assert added[finer].mean() < 0.05 * noise.mean()
        assert added[(np.hypot(across, along) > 0.1) & ~finer].mean() > noise.mean()


def test_light_around_stars_falls_smoothly(scene, result):
    """No ring: around the brightest stars light goes up nowhere, to 2 sigma of a pixel, and falls ever more slowly.

    To a hundredth of the height of the star there, in rings a pixel wide from where half of the light is.
    """
    for c in "RGB":
        lines = []
        for x, y in zip(scene.stars.x[:8], scene.stars.y[:8], strict=True):
            apart = np.hypot(*np.ogrid[-y : 260 - y, -x : 340 - x]).astype(int).ravel()
            off = (result.planes[c] - scene.cloud[c]).ravel() / np.sqrt(np.median(scene.variances[c]))
            lines.append(np.bincount(apart, off)[:14] / np.bincount(apart)[:14])
        line = np.mean(lines, axis=0)
        assert (np.maximum.accumulate(line[::-1])[::-1] - line).max() < 2
        assert np.diff(line, 2)[2:].min() > -0.01 * line[0]


def test_full_cores_stay_and_make_no_rings():
    scene = paint(200, 240, count=16, fwhm_px=4.0, flux=(1e5, 3e6), full=2e4, seed=5)
    out = sharpen(scene.planes, scene.variances, scene.halves, scene.stars, full=1.7e4)
    assert out.done
    full = scene.planes["G"] >= 1.7e4
    assert full.sum() > 20
    np.testing.assert_allclose(out.planes["G"][full], scene.planes["G"][full], rtol=1e-5)
    off = (out.planes["G"] - scene.cloud["G"]) / np.sqrt(scene.variances["G"])
    for x, y in zip(scene.stars.x[:6], scene.stars.y[:6], strict=True):
        apart = np.hypot(*np.ogrid[-y : 200 - y, -x : 240 - x])
        assert min(off[(apart >= r) & (apart < r + 1)].mean() for r in range(5, 18)) > -2


@pytest.fixture(scope="module")
def flooded():
    """Stars of a known profile, and in their midst one far too bright, with wings of its own, another for each colour.

    What the wings of other stars would make of its height is wrong by orders, as of real stars with a halo of the lens.
    """
    scene = paint(300, 320, count=40, fwhm_px=4.0, flux=(2e4, 4e5), seed=8)
    scene.places = np.hypot(*np.ogrid[-150:150, -160:160])
    rng = np.random.default_rng(4)
    for c, reach in (("R", 5.0), ("G", 4.0), ("B", 5.5)):
        halo = 4e4 * np.exp(-0.5 * (scene.places / reach) ** 2) + 300 / (1 + (scene.places / 20) ** 2) ** 2
        for half in scene.halves:
            half[c] += (halo + rng.normal(size=halo.shape) * np.sqrt(halo / 20)).astype(np.float32)
            np.minimum(half[c], np.float32(2e4), out=half[c])
        scene.planes[c] = (scene.halves[0][c] + scene.halves[1][c]) / 2
        scene.variances[c] = scene.variances[c] + (halo / 40).astype(np.float32)
    return scene


def test_a_flooded_star_gets_no_halo_no_box_and_no_colour(flooded):
    """Mean of what is added on rings and on rows around it, over the noise of a pixel: little, smooth, in all colours.

    Its halo becomes narrower as all light does, which takes up to half of the noise of a pixel from its flanks.
    """
    out = sharpen(flooded.planes, flooded.variances, flooded.halves, flooded.stars, full=1.7e4)
    assert out.done
    near = min(np.hypot(flooded.stars.x - 160, flooded.stars.y - 150))
    assert near > 12
    rings = []
    for c in "RGB":
        added = (out.planes[c] - flooded.planes[c]) / np.sqrt(np.median(flooded.variances[c]))
        full = flooded.planes[c] >= 1.7e4
        np.testing.assert_array_equal(added[full], 0)
        means = [np.median(added[(flooded.places >= r) & (flooded.places < r + 3)]) for r in range(0, 120, 3)]
        assert np.abs(means).max() < 1
        assert np.abs(np.diff(means)).max() < 0.5
        rings.append(means)
        # a box would show as rows or columns that differ from the next all along
        for way in (added[100:200, 110:210], added[100:200, 110:210].T):
            steps = np.median(np.diff(way, axis=0), axis=1)
            assert np.abs(steps).max() < 0.3
    assert np.ptp(rings, axis=0).max() < 0.3


def exchanged(image, plan, c):
    """What the filter alone makes of an image."""
    target = refocus.Target(plan.target_px, plan.profiles[c].wings)
    y, x = (side // 2 for side in image.shape)
    stars = refocus.spectrum(plan.profiles[c], x, y, 384)
    by = refocus.added(stars, target.spectrum(384), plan.finest, plan.profiles[c].fwhm_px())
    wide = np.pad(image - np.median(image), ((0, 384 - image.shape[0]), (0, 384 - image.shape[1])))
    return image + refocus.filtered(wide, by)[: image.shape[0], : image.shape[1]]


def test_errors_of_the_stack_beneath_stars_make_no_rings(scene, result):
    """Two parts in a hundred of the light of each pixel up or down, in both halves alike; the limit is ours."""
    wrong = 1 + 0.02 * np.where(np.random.default_rng(5).random((260, 340)) < 0.5, 1, -1)
    light = {c: (scene.truth[c] - scene.cloud[c]) * (wrong - 1) for c in "RGB"}
    planes, first, second = (
        {c: (part[c] + light[c]).astype(np.float32) for c in "RGB"} for part in (scene.planes, *scene.halves)
    )
    out = sharpen(planes, scene.variances, (first, second), scene.stars, light=None)
    assert out.done
    for c in "RGB":
        noise = np.sqrt(scene.variances[c])
        off = (out.planes[c] - planes[c] - (result.planes[c] - scene.planes[c])) / noise
        rings = np.zeros(off.shape, dtype=bool)
        for x, y in zip(scene.stars.x[:12], scene.stars.y[:12], strict=True):
            apart = np.hypot(*np.ogrid[-y : 260 - y, -x : 340 - x])
            rings |= (apart > 7) & (apart < 14)
        assert off[rings].std() < 1.0


def test_between_close_stars_no_notch_and_beside_them_no_mottle():
    """Pairs of bright stars on faint light, against the noiseless light after the same filter, over its noise."""
    pairs = 12
    scene = paint(
        260, 340, count=44, fwhm_px=4.0, flux=(2e4, 4e5), seed=9, apart_px=np.linspace(5.5, 8, pairs)
    )
    out = sharpen(scene.planes, scene.variances, scene.halves, scene.stars)
    assert out.done
    for c in "RGB":
        off = out.planes[c] - exchanged(scene.truth[c], out.plan, c)
        error, noise = (
            image / np.sqrt(scene.variances[c]) for image in (off, scene.planes[c] - scene.truth[c])
        )
        lit = (scene.truth[c] - scene.cloud[c]) / np.sqrt(scene.variances[c])
        beside = (lit < 3) & (ndimage.maximum_filter(lit, 25) > 300)
        assert error[beside].std() < 1.15 * noise[beside].std()
        middle = [
            np.rint((end[:pairs] + end[-pairs:]) / 2).astype(int) for end in (scene.stars.y, scene.stars.x)
        ]
        assert ndimage.uniform_filter(error, 3)[tuple(middle)].min() > -1.5


def test_at_the_edge_stars_become_as_narrow_as_elsewhere_without_notches():
    """A star that stands 3 px inside and one next to it, against the uncut noiseless light after the same filter."""
    whole = paint(300, 340, count=44, fwhm_px=4.0, flux=(2e4, 4e5), seed=9, apart_px=(7.0,))
    row = round(float(whole.stars.y[[0, -1]].min())) - 3
    planes, spread, first, second = (
        {c: image[row:] for c, image in of.items()} for of in (whole.planes, whole.variances, *whole.halves)
    )
    stars = replace(whole.stars, y=whole.stars.y - row)
    out = sharpen(planes, spread, (first, second), stars)
    assert out.done
    x, y = (round(float(place[[0, -1]].mean())) for place in (stars.x, stars.y))
    near = np.s_[: y + 16, max(x - 20, 0) : x + 20]
    for c in "RGB":
        wanted = exchanged(whole.truth[c], out.plan, c)[row:]
        light = np.maximum(wanted, whole.truth[c][row:]) - whole.cloud[c][row:]
        before, after = (
            ndimage.uniform_filter(((image - true) / np.hypot(np.sqrt(spread[c]), 0.03 * light))[near], 3)
            for image, true in ((planes[c], whole.truth[c][row:]), (out.planes[c], wanted))
        )
        assert after.min() > before.min() - 0.3
        assert after.max() < before.max() + 0.3
        top = tuple(round(float(v[0])) for v in (stars.y, stars.x))
        assert out.planes[c][top] == pytest.approx(wanted[top], rel=0.1)
        assert out.planes[c][top] > 1.2 * planes[c][top]


def test_patterns_of_samples_are_not_made_stronger():
    """Lines and checkerboards in proportion to the light, as few lights of a mosaic leave them, of either sign."""
    scene = paint(260, 340, count=60, fwhm_px=3.0, flux=(2e4, 4e5), seed=6)
    y, x = np.mgrid[:260, :340]
    for pattern in ((-1.0) ** x, (-1.0) ** (x + y)):
        halves = [
            {c: (half[c] * (1 + sign * 0.05 * pattern)).astype(np.float32) for c in "RGB"}
            for half, sign in zip(scene.halves, (1, -0.6), strict=True)
        ]
        planes = {c: (halves[0][c] + halves[1][c]) / 2 for c in "RGB"}
        out = sharpen(planes, scene.variances, (halves[0], halves[1]), scene.stars)
        for c in "RGB":
            own, made = (
                np.abs((image * pattern)[:256, :256].reshape(32, 8, 32, 8).mean((1, 3))).mean()
                for image in (planes[c] - planes[c].mean(), out.planes[c] - out.planes[c].mean())
            )
            assert made < 1.2 * own


def test_narrow_stars_are_left_with_the_reason():
    scene = paint(200, 240, count=25, fwhm_px=1.9)
    out = sharpen(scene.planes, scene.variances, scene.halves, scene.stars)
    assert not out.done
    assert "pixels cannot carry" in out.notes[0]
    for c in "RGB":
        np.testing.assert_array_equal(out.planes[c], scene.planes[c])


def test_without_halves_or_stars_nothing_is_done(scene):
    out = sharpen(scene.planes, scene.variances, None, scene.stars)
    assert "half stacks" in out.notes[0]
    none = paint(100, 100, count=0)
    assert "too few stars" in sharpen(none.planes, none.variances, none.halves, none.stars).notes[0]


def test_wider_stars_on_request_and_cuts_do_not_matter(scene, result):
    wide = sharpen(scene.planes, scene.variances, scene.halves, scene.stars, narrower=3.5)
    assert wide.plan.target_px == 3.5
    tight = sharpen(
        scene.planes, scene.variances, scene.halves, scene.stars, canvas=Canvas(memory_bytes=1, threads=2)
    )
    for c in "RGB":
        np.testing.assert_array_equal(tight.planes[c], result.planes[c])


def test_full_level_comes_from_the_list():
    scene = paint(200, 240, count=16, fwhm_px=4.0, flux=(1e5, 3e6), full=2e4, seed=5)
    top = scene.planes["G"][np.rint(scene.stars.y).astype(int), np.rint(scene.stars.x).astype(int)]
    flagged = replace(scene.stars, saturated=top > 1.9e4)
    out = sharpen(scene.planes, scene.variances, scene.halves, flagged)
    full = scene.planes["G"] >= 1.9e4
    np.testing.assert_allclose(out.planes["G"][full], scene.planes["G"][full], rtol=1e-5)


@pytest.mark.parametrize("name", odd_scenes())
def test_odd_stacks(name):
    scene = odd_scenes()[name]
    out = sharpen(scene.planes, scene.variances, scene.halves, scene.stars)
    assert out.notes
    for c in "RGB":
        np.testing.assert_array_equal(np.isfinite(out.planes[c]), np.isfinite(scene.planes[c]))


def test_the_end_of_a_star_that_is_drawn_leaves_no_ring():
    """Once noise is smoothed away a tenth of it is seen: a step there, where the drawing ends, became a dark ring."""
    scene = paint(260, 340, count=14, fwhm_px=4.4, flux=(3e3, 3e5), noise_e=2.0, cloud_e=0, seed=9)
    out = sharpen(scene.planes, scene.variances, scene.halves, scene.stars)
    assert out.done
    for c in "RGB":
        noise = np.sqrt(np.median(scene.variances[c]))
        for x, y in zip(scene.stars.x, scene.stars.y, strict=True):
            apart = np.hypot(*np.ogrid[-y : 260 - y, -x : 340 - x])
            others = np.hypot(scene.stars.x - x, scene.stars.y - y)
            far = min(np.sort(others)[1] / 2, 16.0, x - 1, y - 1, 338 - x, 258 - y)
            rings = [
                out.light[c][(apart >= r) & (apart < r + 1)].mean() / noise for r in np.arange(6, far - 1)
            ]
            assert np.diff(rings).max(initial=0) < 0.01
            assert min(rings, default=0) > -0.01
