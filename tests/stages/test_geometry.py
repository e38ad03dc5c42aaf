"""The frame table, the cut into tiles and what a tile needs of a frame."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

import fields
from fields import SAMPLING, measured_frame, star_list, turned
from fourlight.core import bends, maps
from fourlight.frames import RegisteredFrame
from fourlight.stages.frame_facts import together
from fourlight.stages.geometry import (
    HALO,
    LEAST_SIDE,
    TILE_BYTES,
    Tile,
    padded_pixels,
    rectangle,
    samples_beneath,
    tiles,
)
from fourlight.stages.table import frame_table

STILL = np.array([[1.0, 0, 0], [0, 1.0, 0]])
STARS = star_list(np.arange(5.0), np.arange(5.0), np.full((5, 4), 1e4))


def placed(matrix=STILL, light=1.0, shape=(100, 120)):
    frame = measured_frame("a.fits", STARS, shape)
    return RegisteredFrame(frame, matrix, 0.1, 50, np.full(4, light), light=light)


@example(470, 470, 20201.0)  # 67.5 pixels a side
@given(st.integers(1, 3000), st.integers(1, 4000), st.floats(100, 1e6))
def test_tiles_cover_every_pixel_once_and_keep_the_memory(ny, nx, pixel_bytes):
    cut = tiles((ny, nx), pixel_bytes)
    assert sum((t.y1 - t.y0) * (t.x1 - t.x0) for t in cut) == ny * nx
    assert len({(t.y0, t.x0) for t in cut}) == len(cut)
    assert all(0 <= t.y0 < t.y1 <= ny and 0 <= t.x0 < t.x1 <= nx for t in cut)
    # Tiles are no smaller than is worth the work, however many frames there are.
    least = (LEAST_SIDE + 2 * HALO) ** 2 * pixel_bytes
    assert padded_pixels(cut) * pixel_bytes <= max(TILE_BYTES, least)


@pytest.mark.parametrize(("frames", "degrees", "least"), [(3, 0.0, 2.9), (3, 45.0, 5.0), (1, 30.0, 1.5)])
def test_samples_beneath_a_pixel_count_those_of_turned_frames(frames, degrees, least):
    """An upright square around a square that is turned by a holds (|sin a| + |cos a|)^2 of its area."""
    matrices = np.array([turned(degrees, 1, (k, 0), (450, 450)) for k in range(frames)])
    table = fields.frame_table(matrices, (900, 900), noise=np.full(4, 3.0))
    found = samples_beneath(table)
    turn = np.radians(degrees)
    exact = frames * (abs(np.sin(turn)) + abs(np.cos(turn))) ** 2
    # a few pixels of margin on each side; in the middle of the stack no frame ends
    assert least <= found <= 1.06 * exact


@given(st.floats(0, 360), st.floats(0.5, 2.0), st.floats(-80, 80), st.floats(-80, 80), st.booleans())
def test_a_rectangle_holds_all_samples_that_can_reach_the_tile(degrees, scale, sx, sy, mirrored):
    matrix = turned(degrees, scale, (sx, sy), (60, 50)) @ np.diag([-1.0 if mirrored else 1.0, 1, 1])
    tile = Tile(30, 46, 40, 64)
    box = rectangle(tile, bends.straight(maps.inverse(matrix)), (100, 120))
    y, x = np.mgrid[:100, :120].astype(float)
    u, v = maps.apply(matrix, x, y)
    near = (u > 40 - HALO) & (u < 63 + HALO) & (v > 30 - HALO) & (v < 45 + HALO)
    if box is None:
        assert not near.any()
        return
    inside = np.zeros((100, 120), dtype=bool)
    inside[box[0] : box[1], box[2] : box[3]] = True
    assert not (near & ~inside).any()


def test_variance_at_the_sky_level_is_what_was_measured():
    """dark + p E r over (r s)^2 at the frame's sky gives back the measured noise, whatever gain, flat and cloud."""
    frame = placed(light=0.7)
    response = np.array([[0.8, 0.9, 0.9, 1.0]])
    for electrons in (True, False):
        taken = replace(SAMPLING, electrons=electrons, response=response[0])
        table = frame_table([frame], frame.measured, 1, sampling=[taken])
        signal = frame.measured.sky
        found = (table.dark[0] + table.poisson * signal * response[0]) / response[0] ** 2
        np.testing.assert_allclose(found, frame.measured.noise**2)
        np.testing.assert_allclose(table.weight[0], (0.7 / frame.measured.noise) ** 2)


def test_inverse_variance_times_transparency_squared_is_the_weight():
    # signal follows transparency: the best weights of a mean (least squares) are its square over the variance
    dark, cloud = placed(), placed(light=0.5)
    table = frame_table([dark, cloud], dark.measured, 0, sampling=[SAMPLING] * 2)
    np.testing.assert_allclose(table.weight[1] / table.weight[0], 0.25)
    assert table.half.tolist() == [0, 1]


def test_noise_of_masters_is_shared_by_frames_that_lie_on_each_other():
    still = [placed()] * 5
    np.testing.assert_allclose(together(still, 8.0), 5)
    apart = [placed(turned(0, 1, (20.0 * k, 0), (60, 50))) for k in range(5)]
    np.testing.assert_allclose(together(apart, 8.0), 1)
    # a shift of half a block leaves half of its pixels on the same block
    half = [placed(), placed(turned(0, 1, (4.0, 0), (60, 50)))]
    np.testing.assert_allclose(together(half, 8.0), 1.5)
    flipped = [placed(), placed(turned(180, 1, (0, 0), (59.5, 49.5)))]
    np.testing.assert_allclose(together(flipped, 8.0), 1)
    np.testing.assert_allclose(together(still, 8.0, ["a", "a", "b", "a", "b"]), [3, 3, 2, 3, 2])
    taken = replace(SAMPLING, electrons=False, common=np.full(4, 3.0))
    table = frame_table(still, still[0].measured, 0, sampling=[taken] * 5)
    # n frames, a variance v of their own and c in common: residuals show v, the mean has v / n + c = (v + n c) / n
    np.testing.assert_allclose(table.shared, 5 * 3.0)
    np.testing.assert_allclose(table.dark, 100)
    # of two frames no residuals are looked at: inside they show v + c, and the mean has (v + c + c) / 2
    two = frame_table(still[:2], still[0].measured, 0, sampling=[taken] * 2)
    np.testing.assert_allclose(two.shared, 3.0)
    np.testing.assert_allclose(frame_table(apart, apart[0].measured, 0, sampling=[taken] * 5).shared, 0)


def test_a_frame_elsewhere_touches_no_tile():
    away = maps.inverse(turned(0, 1, (5000, 0), (0, 0)))
    assert rectangle(Tile(0, 50, 0, 50), bends.straight(away), (100, 120)) is None


@pytest.mark.parametrize("shape", [(1, 1), (24, 24), (17, 3000)])
def test_small_and_thin_stacks(shape):
    cut = tiles(shape, 500)
    assert sum((t.y1 - t.y0) * (t.x1 - t.x0) for t in cut) == shape[0] * shape[1]
