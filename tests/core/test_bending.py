"""Curved maps between star lists: found where there is distortion, and only there."""

from dataclasses import replace

import numpy as np
import pytest

from distortion import SHAPE, distorted, scattered_points
from fourlight.core import bends
from fourlight.core.bending import Bent, _clear, bent
from fourlight.core.matching import match

ERROR_PX = 0.03
SIZE = SHAPE[::-1]
MOVED, TARGET_SIZE = np.array([1700.0, 950.0]), (5100, 4800)
"""By which the turned frame comes to lie as a whole on the other, and the size of that one."""


def lists(seed, count, size_px):
    """Two lists of the same stars, brightest first, a tenth of them missing in each."""
    rng = np.random.default_rng(seed)
    points = scattered_points(count, seed)
    target = distorted(points, size_px) + MOVED + rng.normal(0, ERROR_PX, (count, 2))
    return points[rng.random(count) > 0.1], target[rng.random(count) > 0.1]


def found(seed, count, size_px):
    source, target = lists(seed, count, size_px)
    weight = np.full(len(source), ERROR_PX**-2)
    first = match(source, target, weight, size=SIZE)
    assert first is not None
    return bent(first, source, target, weight, SIZE, TARGET_SIZE), source


@pytest.mark.parametrize("size_px", [0.3, 5.0])
def test_distortion_is_found(size_px):
    curved, source = found(3, 400, size_px)
    assert curved is not None
    assert curved.rms_px == pytest.approx(ERROR_PX, rel=0.1)
    assert len(curved.source_index) > 0.85 * len(source)
    corners = np.array([[0.0, 0], [4099, 0], [0, 2799], [4099, 2799], [2000, 1400]])
    error = np.column_stack(bends.apply(curved.bend, *corners.T)) - distorted(corners, size_px) - MOVED
    assert np.abs(error).max() < 0.05


def test_a_straight_map_stays_straight():
    assert sum(found(seed, 300, 0.0)[0] is not None for seed in range(20)) == 0


def test_few_bright_stars_do_not_rule_where_all_scatter_more_than_their_noise():
    """Fluxes as a power law, and a scatter of 0.05 px beside the noise of which the weights know nothing."""
    bent_fields = 0
    for seed in range(30):
        rng = np.random.default_rng(seed)
        noise = 3 / 2.355 / np.minimum(10 / (1 - rng.random(60)), 3000)
        order = np.argsort(noise)
        source = scattered_points(60, seed)[order]
        noise = noise[order]
        target = source + rng.normal(0, 1, (60, 2)) * np.hypot(0.05, noise)[:, None]
        weight = 1 / (0.01**2 + noise**2)
        first = match(source, target, weight, size=SIZE)
        assert first is not None
        bent_fields += bent(first, source, target, weight, SIZE, SIZE) is not None
    assert bent_fields == 0


def test_few_stars_bend_nothing():
    assert found(4, 40, 5.0)[0] is None


def of_part(left, size_px):
    """Source stars of a part of the frame, all target stars, and the pairs that a match of all of them finds there."""
    source, target = lists(5, 400, size_px)
    weight = np.full(len(source), ERROR_PX**-2)
    first = match(source, target, weight, size=SIZE)
    assert first is not None
    here = left(source)
    k = here[first.source_index]
    assert k.sum() > 80
    number = (np.cumsum(here) - 1)[first.source_index[k]]
    pairs = replace(first, source_index=number, target_index=first.target_index[k])
    return pairs, source[here], target, weight[here]


@pytest.mark.parametrize(("end_px", "size_px"), [(1300.0, 1.0), (1500.0, 1.0), (2000.0, 5.0)])
def test_stars_in_a_part_of_the_frame_bend_nothing(end_px, size_px):
    """Where the pairs are, a cubic of a third of the frame leaves no doubt; it is wrong by pixels at the far edge.

    A bend that is large beside its error at the far corners is left as well: no star says that it goes on so.
    """
    assert bent(*of_part(lambda source: source[:, 0] < end_px, size_px), SIZE, TARGET_SIZE) is None


def test_frames_that_share_a_part_bend_where_they_do():
    """The other frame ends where the stars do: there is nothing beyond to go astray in."""
    rng = np.random.default_rng(6)
    points = scattered_points(400, 6)
    inside = points[:, 0] > 2000
    source, target = points[inside], distorted(points, 5.0, turned=False)[inside] - [2000.0, 0]
    target += rng.normal(0, ERROR_PX, target.shape)
    weight = np.full(len(source), ERROR_PX**-2)
    first = match(source, target, weight, size=SIZE)
    assert first is not None
    curved = bent(first, source, target, weight, SIZE, SIZE)
    assert curved is not None
    corners = np.array([[2000.0, 0], [4099, 0], [2000, 2799], [4099, 2799]])
    error = np.column_stack(bends.apply(curved.bend, *corners.T)) - distorted(corners, 5.0, turned=False)
    assert np.abs(error + [2000.0, 0]).max() < 3 * curved.corner_px < 0.1


@pytest.mark.parametrize(("scatter_px", "clear"), [(0.1, True), (3.0, False)])
def test_a_bend_must_explain_more_than_chance_though_it_is_large(scatter_px, clear):
    """A bend of 2 px that stars of known places follow, or that their scatter of 3 px makes of nothing; F-test."""
    rng = np.random.default_rng(4)
    source = rng.uniform(-1, 1, (60, 2))
    straight = np.eye(2, 3)
    bend = bends.straight(straight)
    bend[:, 2, 0] += 2.0
    there = np.column_stack(bends.apply(bend, *source.T)) if clear else source
    target = there + rng.normal(0, scatter_px, (60, 2))
    every = np.arange(60)
    made = Bent(bend, straight, every, every, scatter_px, 0.01)
    assert _clear(made, source, target, np.ones(60)) is clear
    assert not _clear(replace(made, corner_px=1.0), source, target, np.ones(60))
