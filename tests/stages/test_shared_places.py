"""Places that lights share, and where they are in each of them."""

from dataclasses import replace

import numpy as np
import pytest

from fields import apart, measured_frame, star_list, turned
from fourlight.core import bends, maps
from fourlight.frames import RegisteredFrame
from fourlight.stages.shared_places import Places, places_in, shared_places

SHAPE = (500, 600)


def lights(rng, count, error=0.03, bend=False):
    """Turned, scaled and shifted lights of 60 stars, their places off by ``error``; and the true places."""
    true = apart(rng, 60, SHAPE, 12, 120)
    flux = rng.uniform(1e4, 1e5, 60)
    out = []
    for k in range(count):
        matrix = turned(180.0 * (k % 2) + k, 1 + 0.05 * k, tuple(rng.uniform(-9, 9, 2)), (300.0, 250.0))
        x, y = maps.apply(maps.inverse(matrix), *true.T)
        frame = RegisteredFrame(
            measured_frame(f"{k}", star_list(x, y, np.tile(flux[:, None], (1, 4))), SHAPE), matrix, 0.05, 60
        )
        if bend:
            frame = replace(frame, bend=bends.straight(matrix))
            frame.bend[0, 2, 0] = 2e-5
            x, y = places_in(frame, shared_of(true, flux))
            x, y = x[:, 1], y[:, 1]
        off = rng.normal(0, error, (2, 60))
        stars = star_list(x + off[0], y + off[1], np.tile(flux[:, None], (1, 4)))
        out.append(replace(frame, measured=replace(frame.measured, stars=stars)))
    return out, true[np.argsort(-flux, kind="stable")]


def shared_of(true, flux):
    return Places(*true.T, flux, np.zeros(len(true)))


@pytest.mark.parametrize("bend", [False, True])
def test_places_are_means_over_lights(bend):
    frames, true = lights(np.random.default_rng(1), 9, bend=bend)
    found = shared_places(frames)
    error = np.hypot(found.x - true[:, 0], found.y - true[:, 1])
    # 0.03 px per axis in one light; nine, whose pixels are 1.2 times as large on average; 120 draws tell 7 per cent
    assert np.sqrt(np.mean(error**2) / 2) < 1.15 * 0.03 * 1.2 / 3


def test_maps_and_offsets_lead_to_each_plane():
    frames, true = lights(np.random.default_rng(2), 2, error=0.0, bend=True)
    offset = np.zeros((4, 2, 3))
    offset[3] = [[1e-4, 0.0, 0.3], [0.0, 1e-4, -0.2]]
    frame = replace(frames[1], offset=offset)
    places = shared_places(frames)
    x, y = places_in(frame, places)
    back = np.stack(bends.apply(frame.bend, x[:, 1], y[:, 1]))
    np.testing.assert_allclose(back, true.T, atol=1e-4)
    # what the frame itself says of where samples of a plane lie
    blue = np.stack(bends.apply(frame.plane_bend[3], x[:, 3], y[:, 3]))
    # (it neglects the bend over the offset: 0.3 px at a slope that changes by 0.02 over the frame)
    np.testing.assert_allclose(blue, true.T, atol=1e-2)
    np.testing.assert_allclose(x[:, 3] - x[:, 0], 0.3 + 1e-4 * x[:, 0], atol=1e-9)


def test_full_stars_keep_the_place_of_the_reference_and_other_stars_do_not_count():
    frames, true = lights(np.random.default_rng(3), 3, error=0.0)
    moved = frames[1].measured.stars
    full = moved.saturated.copy()
    full[0] = True
    x = moved.x.copy()
    x[0] += 0.4  # full: its place is not to be believed
    x[1] += 5.0  # another star
    stars = replace(moved, x=x, saturated=full)
    frames[1] = replace(frames[1], measured=replace(frames[1].measured, stars=stars))
    found = shared_places(frames)
    np.testing.assert_allclose(found.x, true[:, 0], atol=1e-6)


def test_a_light_without_stars_is_no_trouble():
    frames, _ = lights(np.random.default_rng(4), 2)
    none = star_list(np.empty(0), np.empty(0), np.empty((0, 4)))
    empty = replace(frames[1], measured=replace(frames[1].measured, stars=none))
    assert len(shared_places([frames[0], empty]).x) == 60
    assert len(shared_places([empty]).x) == 0
