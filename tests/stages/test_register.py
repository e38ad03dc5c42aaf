"""Placing frames: who is the reference, who is set aside and why, and how much light each has."""

import dataclasses

import numpy as np
import pytest

from fields import measured_frame, raw_frame, star_list, turned
from fourlight.core import maps
from fourlight.errors import InputError
from fourlight.frames import FrameFlag, RegisteredFrame, SetAside, StarList
from fourlight.recipe import Registration
from fourlight.stages.register import choose_reference, finer_reference, quality, register
from fourlight.stages.transparency import steadied

SHAPE = (900, 1200)


def seen(name, matrix, seed, light=1.0, stars=150, noise=0.02, **kwargs):
    """The same sky through ``matrix`` (frame to reference), with errors of place and flux."""
    sky = np.random.default_rng(99)
    place, total = sky.uniform([0, 0], [1200, 900], (stars, 2)), np.geomspace(3e5, 2e3, stars)
    colour = sky.uniform(0.3, 1.2, (stars, 4))
    rng = np.random.default_rng(seed)
    x, y = maps.apply(maps.inverse(np.asarray(matrix, float)), *place.T)
    flux = np.asarray(light) * total[:, None] * colour + rng.normal(0, 30, (stars, 4))
    return frame_of(
        name, star_list(x + rng.normal(0, noise, stars), y + rng.normal(0, noise, stars), flux, **kwargs)
    )


def frame_of(name, stars):
    return measured_frame(name, stars, SHAPE)


STILL = np.array([[1.0, 0, 0], [0, 1.0, 0]])


def test_the_reference_lies_on_itself():
    frame = seen("a.fits", STILL, 1)
    placed = register(frame, frame, Registration())
    np.testing.assert_array_equal(placed.matrix, STILL)
    assert placed.rms_px == 0
    assert placed.light == 1


@pytest.mark.parametrize(
    ("degrees", "scale", "mirror"),
    [(0.2, 1, 1), (180.3, 1, 1), (37, 1, 1), (91, 1.6, 1), (10, 0.7, 1), (5, 1, -1)],
)
def test_any_turn_scale_and_mirror_is_placed(degrees, scale, mirror):
    truth = turned(degrees, scale, (30, -12), (600, 450)) @ np.diag([mirror, 1, 1])
    placed = register(seen("b.fits", truth, 2), seen("a.fits", STILL, 1), Registration())
    assert isinstance(placed, RegisteredFrame)
    corners = np.array([[0, 1199, 0, 1199], [0, 0, 899, 899]], dtype=float)
    corners = np.array(maps.apply(maps.inverse(truth), *corners))
    gap = np.array(maps.apply(placed.matrix, *corners)) - np.array(maps.apply(truth, *corners))
    # 0.02 px of noise per star and axis in each frame, 150 stars: 0.02 px even at the corners (floor of the issue)
    assert np.sqrt(np.mean(gap**2)) < 0.02
    assert placed.rms_px < 0.06 * max(scale, 1)


def test_light_per_plane_and_its_errors():
    light = np.array([0.8, 0.82, 0.82, 0.7])
    pulls = []
    reference = seen("a.fits", STILL, 1)
    for seed in range(2, 22):
        placed = register(seen("b.fits", STILL, seed, light), reference, Registration())
        np.testing.assert_allclose(placed.transparency, light, rtol=0.01)
        pulls.append((placed.transparency / light - 1) / (placed.transparency_error / light))
    # errors hold a floor for what stars' colours and sampling do, so pulls may be small, never large
    assert np.sqrt(np.mean(np.square(pulls))) < 1.3


def test_light_is_unbiased_where_sharp_stars_fall_between_the_samples():
    # a plane samples stars of 1 px width at every other pixel: fluxes of either frame stray by 20 per cent
    light, pulls, found = 0.9, [], []
    for seed in range(2, 22):
        rng = np.random.default_rng(1000 + seed)
        pair = []
        for name, share, s in (("a.fits", 1.0, 1), ("b.fits", light, seed)):
            frame = seen(name, STILL, s, share)
            error = np.full(frame.stars.flux.shape, 600.0)
            flux = frame.stars.flux * (1 + 0.2 * rng.standard_normal(frame.stars.flux.shape))
            pair.append(
                dataclasses.replace(
                    frame, stars=dataclasses.replace(frame.stars, flux=flux, flux_error=error)
                )
            )
        placed = register(pair[1], pair[0], Registration())
        found.append(placed.transparency)
        pulls.append((placed.transparency / light - 1) / (placed.transparency_error / light))
    # ten times below the 4 per cent by which a regression on noisy fluxes goes wrong here
    np.testing.assert_allclose(np.mean(found, axis=0), light, rtol=0.015)
    assert abs(np.mean(found) / light - 1) < 0.006
    assert 0.5 < np.sqrt(np.mean(np.square(pulls))) < 1.4


def test_saturated_stars_do_not_bend_place_or_light():
    reference = seen("a.fits", STILL, 1)
    frame = seen("b.fits", STILL, 2)
    s = frame.stars
    flux, x, full = s.flux.copy(), s.x.copy(), np.zeros(len(s), dtype=bool)
    flux[:12], x[:12], full[:12] = 0.3 * flux[:12], x[:12] + 0.5, True
    bent = frame_of("b.fits", StarList(x, s.y, flux, s.flux_error, s.fwhm_px, s.elongation, full))
    placed = register(bent, reference, Registration())
    np.testing.assert_allclose(placed.matrix, STILL, atol=0.03)
    assert placed.light == pytest.approx(1.0, abs=0.01)


def test_frames_that_cannot_be_placed_are_set_aside_with_the_reason():
    reference = seen("a.fits", STILL, 1)
    rng = np.random.default_rng(5)
    stranger = star_list(rng.uniform(0, 1200, 120), rng.uniform(0, 900, 120), rng.uniform(1e3, 1e5, (120, 4)))
    empty = star_list(np.empty(0), np.empty(0), np.empty((0, 4)))
    three, part = (
        star_list(*(getattr(reference.stars, name)[:count] for name in ("x", "y", "flux")))
        for count in (3, 20)
    )
    one = star_list(*(getattr(reference.stars, name)[:1] for name in ("x", "y", "flux")))
    shaken = seen("s.fits", STILL, 3, noise=1.2)
    for frame, settings, words in (
        (frame_of("b.fits", stranger), Registration(), "its 120 stars do not match the 150 of a.fits"),
        (frame_of("c.fits", empty), Registration(), "0 stars found, at least 4"),
        (frame_of("o.fits", one), Registration(), "1 star found, at least 4"),
        (frame_of("t.fits", three), Registration(), "3 stars found, at least 4"),
        (shaken, Registration(), "stars miss by"),
        (frame_of("d.fits", part), Registration(min_matches=40), "20 stars matched, 40 needed"),
    ):
        found = register(frame, reference, settings)
        assert isinstance(found, SetAside)
        assert found.stage == "register"
        assert found.path == frame.raw.path
        assert words in found.reason


def test_a_reference_of_few_stars_asks_for_no_more_than_it_has():
    """Ten of its twelve stars are there, where a recipe asks for forty: the two that miss are what is told."""
    reference = seen("a.fits", STILL, 1, stars=12)
    part = star_list(*(getattr(reference.stars, name)[:10] for name in ("x", "y", "flux")))
    found = register(frame_of("b.fits", part), reference, Registration(min_matches=40))
    assert isinstance(found, SetAside)
    assert found.reason == "10 stars matched, 12 needed (all that the reference has)"


def test_few_stars_are_flagged():
    placed = register(seen("b.fits", STILL, 2, stars=12), seen("a.fits", STILL, 1, stars=12), Registration())
    assert isinstance(placed, RegisteredFrame)
    assert FrameFlag.FEW_STARS in placed.flags


def test_the_best_frame_is_the_reference_unless_one_is_named():
    sharp = seen("sharp.fits", STILL, 1)
    wide = dataclasses.replace(sharp, raw=raw_frame("wide.fits", SHAPE), fwhm_px=np.full(4, 4.5))
    cloudy = seen("cloudy.fits", STILL, 1, light=0.01)
    blank = frame_of("blank.fits", star_list(np.empty(0), np.empty(0), np.empty((0, 4))))
    frames = [wide, cloudy, sharp, blank]
    assert choose_reference(frames, "") is sharp
    assert choose_reference(frames, "wide.fits") is wide
    assert quality(sharp) / quality(wide) == pytest.approx(2.25)
    assert quality(blank) == 0
    with pytest.raises(InputError, match="no usable light has this file name"):
        choose_reference(frames, "other.fits")


def placed_lights(count):
    """The reference and ``count`` lights of 0.9 times its light, whose planes scatter by their errors."""
    reference = seen("a.fits", STILL, 1)
    rng = np.random.default_rng(6)
    frames = [register(reference, reference, Registration())]
    for k in range(count):
        noise = 1 + rng.normal(0, 0.004, 4)
        frames.append(
            RegisteredFrame(
                seen(f"{k}.fits", STILL, k), STILL, 0.1, 100, 0.9 * noise,
                np.full(4, 0.9 * 0.004), 0.9, 0.001,
            )
        )  # fmt: skip
    return frames


def test_steadied_light_keeps_real_changes_and_drops_noise():
    frames = placed_lights(9)
    reference = frames[0].measured
    after = steadied(frames, reference)
    np.testing.assert_allclose([f.transparency / f.light for f in after], 1.0, atol=0.003)
    reddened = [
        dataclasses.replace(
            f, transparency=f.transparency * (1 + 0.1 * (k - 4) / 4 * np.array([1, 0, 0, -1]))
        )
        for k, f in enumerate(frames[1:])
    ]
    after = steadied([frames[0], *reddened], reference)
    red = np.array([f.transparency[0] / f.light for f in after[1:]])
    np.testing.assert_allclose(red, 1 + 0.1 * (np.arange(9) - 4) / 4, atol=0.02)
    assert steadied(frames[:1], reference) == frames[:1]


def test_a_plane_without_measurable_stars_has_the_light_of_all_planes():
    """Behind a narrow filter blue may hold no starlight: its error is infinite, its scale must not be lost."""
    frames = placed_lights(8)
    dark = [
        dataclasses.replace(f, transparency_error=np.array([0.004, 0.004, 0.004, np.inf])) for f in frames
    ]
    after = steadied(dark, dark[0].measured)
    for before, found in zip(dark, after, strict=True):
        assert np.isfinite(found.transparency).all()
        assert np.isfinite(found.transparency_error).all()
        assert found.transparency[3] == pytest.approx(before.light)
    one = [*frames[:-1], dark[-1]]
    assert np.isfinite([f.transparency for f in steadied(one, one[0].measured)]).all()


@pytest.mark.parametrize(("fine", "fwhm", "found"), [(4, 3.0, True), (4, 6.0, False), (1, 3.0, False)])
def test_the_finer_of_lights_that_are_alike_is_the_reference(fine, fwhm, found):
    """Where a third of them or more are finer and as sharp on the sky; here samples 1.5 times as fine."""
    zoom = np.array([[1 / 1.5, 0.0, 20.0], [0.0, 1 / 1.5, 10.0]])
    coarse = [RegisteredFrame(seen(f"c{k}.fits", STILL, k), STILL, 0.0, 9) for k in range(6)]
    more = [
        RegisteredFrame(
            dataclasses.replace(seen(f"f{k}.fits", STILL, k), fwhm_px=np.full(4, fwhm)), zoom, 0.0, 9
        )
        for k in range(fine)
    ]
    reference = coarse[0].measured
    better = finer_reference([*coarse, *more], reference)
    assert (better is not None) == found
    assert better is None or better.raw.path.name.startswith("f")
    assert finer_reference(coarse, reference) is None
    assert finer_reference([], reference) is None, (
        "and no warning: red and blue of the reference alone are exchanged"
    )
