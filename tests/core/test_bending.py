"""Curved maps between star lists: found where there is distortion, and only there."""

from dataclasses import replace

import numpy as np
import pytest

from distortion import SHAPE, distorted, scattered_points
from fourlight.core import bends
from fourlight.core.bending import Bent, _clear, bent
from fourlight.core.matching import match

ERROR_PX = 0.03


def lists(seed, count, size_px):
    """Two lists of the same stars, brightest first, a tenth of them missing in each."""
    rng = np.random.default_rng(seed)
    points = scattered_points(count, seed)
    target = distorted(points, size_px) + rng.normal(0, ERROR_PX, (count, 2))
    return points[rng.random(count) > 0.1], target[rng.random(count) > 0.1]


def found(seed, count, size_px):
    source, target = lists(seed, count, size_px)
    weight = np.full(len(source), ERROR_PX**-2)
    first = match(source, target, weight, size=SHAPE[::-1])
    assert first is not None
    return bent(first, source, target, weight), source


@pytest.mark.parametrize("size_px", [0.3, 5.0])
def test_distortion_is_found(size_px):
    curved, source = found(3, 400, size_px)
    assert curved is not None
    assert curved.rms_px == pytest.approx(ERROR_PX, rel=0.1)
    assert len(curved.source_index) > 0.85 * len(source)
    corners = np.array([[0.0, 0], [4099, 0], [0, 2799], [4099, 2799], [2000, 1400]])
    error = np.column_stack(bends.apply(curved.bend, *corners.T)) - distorted(corners, size_px)
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
        first = match(source, target, weight, size=SHAPE[::-1])
        bent_fields += first is not None and bent(first, source, target, weight) is not None
    assert bent_fields == 0


def test_few_stars_or_stars_in_a_part_of_the_frame_bend_nothing():
    assert found(4, 40, 5.0)[0] is None
    source, target = lists(5, 400, 1.0)
    left = source[:, 0] < 1500
    weight = np.full(len(source), ERROR_PX**-2)
    corner = np.flatnonzero(left & (source[:, 1] < 900) | (source[:, 0] > 4000) & (source[:, 1] > 2700))
    first = match(source[corner], target, weight[corner], size=SHAPE[::-1])
    assert first is None or bent(first, source[corner], target, weight[corner]) is None


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
