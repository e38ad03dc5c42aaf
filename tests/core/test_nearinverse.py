"""The near inverse of a system: symmetric, positive, and near enough that few steps are needed."""

import numpy as np
import pytest

from fourlight.core import stencil
from fourlight.core.nearinverse import near_inverse

SHAPE = (21, 24)


def spline_system(strength=1e-3):
    """One sample in the middle of each pixel with weights that grow along rows, by products of spline weights."""
    layers = np.zeros((SHAPE[0], stencil.LAYERS, SHAPE[1] + 2 * stencil.RIM), np.float32)
    # a cubic spline's weights times themselves, moved by 0 to 3 pixels: those of one of order seven
    seventh = np.array([2416, 1191, 120, 1]) / 5040
    grown = np.linspace(1, 5, SHAPE[1])
    for dy in range(4):
        for dx in range(4):
            last = SHAPE[1] - dx
            both = np.sqrt(grown[:last] * grown[dx:])
            layers[: SHAPE[0] - dy, 4 * dy + dx, 3 : 3 + last] = seventh[dy] * seventh[dx] * both
    stencil.add_smoothness(layers, np.full(SHAPE, strength, np.float32))
    return layers


def applied_to(inverse, x):
    z = np.zeros((SHAPE[0], SHAPE[1] + 6), np.float32)
    length = inverse(stencil.wide(x), z)
    return z[:, 3:-3], length


def full(inverse):
    """Its matrix, column by column."""
    units = np.eye(SHAPE[0] * SHAPE[1], dtype=np.float32).reshape(-1, *SHAPE)
    return np.array([applied_to(inverse, unit)[0].ravel() for unit in units])


@pytest.mark.parametrize("strength", [1e-4, 1e-2])
def test_symmetric_and_positive(strength):
    matrix = full(near_inverse(spline_system(strength)))
    np.testing.assert_allclose(matrix, matrix.T, atol=1e-4 * matrix.max())
    assert np.linalg.eigvalsh(matrix).min() > 0


def test_length_is_the_product_of_both():
    x = np.random.default_rng(3).normal(size=SHAPE).astype(np.float32)
    z, length = applied_to(near_inverse(spline_system()), x)
    assert length == pytest.approx(float((x * z).sum()), rel=1e-5)


def test_few_steps_are_needed():
    """Scaling alone needs far more: the condition of the system is some hundreds."""
    layers = spline_system()
    right = np.random.default_rng(4).normal(size=(1, *SHAPE)).astype(np.float32)
    inverse = near_inverse(layers)
    enough = 1e-6 * applied_to(inverse, right[0])[1]
    _, steps = stencil.solve(layers, right, np.zeros_like(right), inverse, enough=[enough], most=[50])
    assert steps[0] <= 10
