"""Placements of a star list on a field, against the placement it was made with."""

import numpy as np
import pytest

from fourlight.core.placements import Field, placements


def made(random, flip, count=12):
    """A field, and some of its stars as a list: turned, scaled by 1.06, perhaps mirrored."""
    field = random.uniform(-10, 10, (300, 2))
    some = field[np.hypot(*field.T) < 4][:count]
    angle = random.uniform(0, 2 * np.pi)
    turn = 1.06 * np.array([[np.cos(angle), -flip * np.sin(angle)], [np.sin(angle), flip * np.cos(angle)]])
    return field, some @ turn.T, np.linalg.inv(turn)


@pytest.mark.parametrize("flip", [1, -1])
def test_the_true_placement_is_the_best(flip):
    random = np.random.default_rng(11)
    field, stars, back = made(random, flip)
    matrices, hits, tried = placements(stars, 0, 3, Field(field, 0.05), 1.12, 3)
    assert np.allclose(matrices[0][:, :2], back, atol=1e-9)
    assert hits[0] == len(stars) - 2
    assert tried > 100
    assert (np.diff(hits) <= 0).all()


def test_as_many_are_tried_as_pairs_are_long_enough():
    """Counted slowly: ordered pairs of the field whose length is allowed, mirrored or not."""
    field, stars, _ = made(np.random.default_rng(12), 1)
    length = np.hypot(*(stars[1] - stars[0]))
    apart = np.hypot(*(field[:, None] - field[None]).T)
    allowed = (apart >= length / 1.12) & (apart <= length * 1.12)
    assert placements(stars, 0, 1, Field(field, 0.05), 1.12, 3)[2] == 2 * allowed.sum()


def test_a_scale_beyond_the_spread_is_not_found():
    field, stars, _ = made(np.random.default_rng(13), 1)
    matrices, hits, _ = placements(1.2 * stars, 0, 3, Field(field, 0.05), 1.12, 5)
    assert len(matrices) == 0 or hits[0] < len(stars) - 3


def test_a_star_far_outside_of_the_field_is_no_hit():
    """A list much larger than the field: predictions fall beyond the raster on all sides."""
    field = np.random.default_rng(14).uniform(-1, 1, (30, 2))
    stars = np.concatenate([field[:2], 50 * field[2:12]])
    matrices, hits, _ = placements(stars, 0, 1, Field(field, 0.02), 1.12, 1)
    assert len(matrices) == 0 or hits.max() <= 2
