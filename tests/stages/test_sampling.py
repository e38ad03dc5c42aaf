"""Places of samples of dithered lights, counted by hand."""

from __future__ import annotations

import numpy as np
import pytest

from fourlight.stages.sampling import Lights, own_nyquist


def lights(dither, turn=None):
    """Lights at these places; every other one in the second half."""
    matrix = np.array([np.column_stack([np.eye(2), place]) for place in np.asarray(dither, float)])
    for k, angle in enumerate(turn if turn is not None else []):
        cosine, sine = np.cos(angle), np.sin(angle)
        matrix[k, :, :2] = [[cosine, -sine], [sine, cosine]]
    return Lights(matrix, np.arange(len(matrix)) % 2, np.ones(len(matrix)))


def test_lights_that_stand_still_have_one_place_and_the_greens_two():
    still = lights(np.zeros((6, 2)))
    assert still.different("R", 50, 50) == pytest.approx((1, 1))
    assert still.different("G", 50, 50) == pytest.approx((2, 2))


def test_dither_by_whole_cells_of_the_mosaic_is_none():
    assert lights([[0, 0], [2, 0], [4, 6], [0, -2]]).different("B", 9, 9) == pytest.approx((1, 1))


def test_places_a_pixel_apart_fill_the_cell():
    """The second half's four lights see all four places, the first half's only one."""
    places = [[0, 0], [0, 0], [0, 0], [1, 0], [0, 0], [0, 1], [0, 0], [1, 1]]
    assert lights(places).different("G1", 5, 5) == pytest.approx((1, 4))


def test_random_places_are_as_many_as_the_lights_up_to_what_half_a_pixel_tells_apart():
    """Two places overlap by a sixteenth on average: (0.5 / 2)^2."""
    rng = np.random.default_rng(1)
    found = [lights(rng.uniform(0, 40, (200, 2))).different("R", 5, 5) for _ in range(5)]
    assert np.mean(found) == pytest.approx(100**2 / (100 + 100 * 99 / 16), rel=0.1)


def test_a_pixel_of_the_sensor_is_followed_through_lights_turned_alike():
    found = lights([[0, 0], [3, -1], [10, 4], [12, 5]], turn=[0, 0, np.pi, np.pi])
    assert found.alike().tolist() == [0, 0, 2, 2]
    places = found.places(30.0, 40.0)
    assert places[:2] == pytest.approx(np.array([[30, 40], [33, 39]]))
    assert places[2:] == pytest.approx(np.array([[30, 40], [32, 41]]))
    assert found.sensor(30, 40)[2] == pytest.approx([-20, -36])


def test_lights_of_a_summary():
    frames = [
        {"matrix": [[2, 0, k], [0, 2, 1]], "weight": {"R": 1.0, "G1": 0.5, "G2": 0.5, "B": 0.0}}
        for k in range(3)
    ]
    found = Lights.of(frames, 2.0)
    assert found.matrix.shape == (3, 2, 3)
    assert found.weight == pytest.approx(0.5)
    assert found.zoom == 2.0


@pytest.mark.parametrize(
    ("places", "zoom", "expected"), [(1, 1, 0.25), (100, 1, 0.5), (1, 0.5, 0.5), (16, 2, 0.5)]
)
def test_nyquist_of_samples(places, zoom, expected):
    """Samples 2 px apart end at a quarter of a cycle per pixel; n times as dense at sqrt(n) of it."""
    assert own_nyquist(places, zoom) == pytest.approx(expected)
