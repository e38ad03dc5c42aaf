"""Frames of optics that distort, put together with frames of optics that do not; truth is painted."""

from dataclasses import replace

import numpy as np
import pytest
import sep

from fields import SAMPLING, apart, paint_stars, raw_frame, stacked, turned
from fourlight.core import bends, maps
from fourlight.recipe import Measure, Registration
from fourlight.stages.measure import measure
from fourlight.stages.register import register
from fourlight.stages.table import frame_table

SHAPE = (400, 460)
MIDDLE = (np.array(SHAPE[::-1]) - 1) / 2
BEND_PX = 4.0
"""Distortion at the corners of a frame."""


def undistorted(points):
    """Places on a frame of the second optics of what the first would show at ``points``."""
    offset = points - MIDDLE
    half = float(np.hypot(*MIDDLE))
    return points - offset * ((offset**2).sum(axis=1, keepdims=True) / half**3) * BEND_PX


@pytest.fixture(scope="module")
def night():
    """Six frames of each optics, stars of 2.6 px; the second ones turned over."""
    rng = np.random.default_rng(11)
    stars = apart(rng, 150, (430, 490), 18, 0) - 15
    flux = np.geomspace(4e4, 2e3, len(stars))
    images, matrices = [], []
    for k in range(12):
        matrix = turned(180.0 * (k % 2), 1.0, tuple(rng.uniform(-4, 4, 2)), tuple(MIDDLE))
        places = np.column_stack(maps.apply(maps.inverse(matrix), *stars.T))
        places = undistorted(places) if k >= 6 else places
        clean = 200 + paint_stars(SHAPE, *places.T, flux, 2.6)
        images.append((rng.poisson(clean) + rng.normal(0, 3, SHAPE)).astype(np.float32))
        matrices.append(matrix)
    found = [
        measure(
            raw_frame(f"{k}.fits", SHAPE), image, "RGGB", electrons=True, saturation=1e9, settings=Measure()
        )
        for k, image in enumerate(images)
    ]
    return images, matrices, found, stars


def test_only_frames_of_the_other_optics_are_bent_and_all_land_where_they_should(night):
    _, matrices, found, stars = night
    back = maps.inverse(matrices[0])
    truth = np.column_stack(maps.apply(back, *stars.T))
    for k in range(1, 12):
        frame = register(found[k], found[0], Registration())
        assert (frame.bend is not None) == (k >= 6)
        places = np.column_stack(maps.apply(maps.inverse(matrices[k]), *stars.T))
        places = undistorted(places) if k >= 6 else places
        inside = ((places > 0) & (places < np.array(SHAPE[::-1]) - 1)).all(axis=1)
        bend = bends.straight(frame.matrix) if frame.bend is None else frame.bend
        error = np.column_stack(bends.apply(bend, *places[inside].T)) - truth[inside]
        # the floor of registration: 0.05 px rms per axis
        assert np.sqrt((error**2).mean()) < 0.03
        if k >= 6:
            flat = np.column_stack(maps.apply(frame.matrix, *places[inside].T)) - truth[inside]
            assert np.sqrt((flat**2).mean()) > 0.1


@pytest.mark.parametrize("method", ["drizzle", "least-squares"])
def test_stars_of_both_optics_fall_together(night, method):
    """Places in the stack by the windowed centroids of sep (Barbary 2016), against the painted ones."""
    images, matrices, found, stars = night
    frames = [register(frame, found[0], Registration()) for frame in found]
    truth = np.column_stack(maps.apply(maps.inverse(matrices[0]), *stars.T))
    inside = truth[((truth > 12) & (truth < np.array(SHAPE[::-1]) - 13)).all(axis=1)]
    miss = {}
    for bent in (True, False):
        used = frames if bent else [replace(frame, bend=None) for frame in frames]
        table = frame_table(used, found[0], 0, sampling=[SAMPLING] * 12)
        layers, _ = stacked(images, table, 1.0, method=method)
        light = np.nan_to_num(layers["G"]["value"] - 200).astype(float)
        x, y, _ = sep.winpos(light, *inside.T.copy(), np.full(len(inside), 1.1))
        miss[bent] = np.sqrt(np.mean((np.column_stack([x, y]) - inside) ** 2))
    assert miss[True] < 0.02
    assert miss[False] > 3 * miss[True]
