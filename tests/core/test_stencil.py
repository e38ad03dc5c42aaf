"""Symmetric seven-by-seven systems against dense matrices, and conjugate gradients against a direct solver."""

import numpy as np
import pytest

from fourlight.core import stencil
from fourlight.core.nearinverse import near_inverse
from systems import dense

SHAPE = (9, 11)


def no_layers(shape):
    return np.zeros((shape[0], stencil.LAYERS, shape[1] + 2 * stencil.RIM), dtype=np.float32)


@pytest.fixture
def layers():
    random = np.random.default_rng(4)
    out = no_layers(SHAPE)
    out[..., 3:-3] = random.normal(0, 0.05, (SHAPE[0], stencil.LAYERS, SHAPE[1]))
    out[:, 0, 3:-3] = 3 + random.random(SHAPE)
    return out


@pytest.fixture
def inverse(layers):
    return near_inverse(layers)


def product(layers, x):
    wide = stencil.wide(x)
    out = np.empty_like(wide)
    lengths = stencil.applied(layers, wide, out)
    return out[..., 3:-3], lengths


def enough(inverse, right, tolerance):
    """Where to stop for a residual that is this share of the right-hand side."""
    wide = stencil.wide(right)
    return [tolerance**2 * inverse(part, np.empty_like(part)) for part in wide]


def test_products_equal_those_of_the_full_matrix(layers):
    x = np.random.default_rng(5).normal(size=(2, *SHAPE)).astype(np.float32)
    out, lengths = product(layers, x)
    for k in range(2):
        expected = dense(layers) @ x[k].ravel()
        np.testing.assert_allclose(out[k].ravel(), expected, rtol=0, atol=1e-5)
        assert lengths[k] == pytest.approx(x[k].ravel() @ expected, rel=1e-5)


def second_differences(x):
    """Along columns and rows, and between four pixels, written out; zero where neighbours are missing."""
    down, across, mixed = np.zeros_like(x), np.zeros_like(x), np.zeros_like(x)
    down[1:-1] = x[:-2] - 2 * x[1:-1] + x[2:]
    across[:, 1:-1] = x[:, :-2] - 2 * x[:, 1:-1] + x[:, 2:]
    mixed[:-1, :-1] = x[:-1, :-1] - x[:-1, 1:] - x[1:, :-1] + x[1:, 1:]
    return down, across, mixed


def test_smoothness_is_the_energy_of_a_thin_plate():
    """``x' A x`` against the squares of second differences written out."""
    random = np.random.default_rng(5)
    strength = random.uniform(0.2, 0.8, (13, 14)).astype(np.float32)
    layers = no_layers(strength.shape)
    stencil.add_smoothness(layers, strength)
    inner = np.zeros(strength.shape)
    inner[1:-1] = strength[1:-1]
    corner = np.zeros(strength.shape)
    corner[:-1, :-1] = (strength[1:, 1:] + strength[1:, :-1] + strength[:-1, 1:] + strength[:-1, :-1]) / 4
    for _ in range(5):
        x = random.normal(size=strength.shape)
        down, across, mixed = second_differences(x)
        expected = (inner * (down**2 + across**2) + 2 * corner * mixed**2).sum()
        assert x.ravel() @ dense(layers) @ x.ravel() == pytest.approx(expected, rel=1e-5)


def test_even_smoothness_is_the_squared_laplacian_inside():
    """The five-point Laplacian applied twice by hand."""
    layers = no_layers((15, 15))
    stencil.add_smoothness(layers, np.full((15, 15), 0.5, np.float32))
    x = np.random.default_rng(6).normal(size=(15, 15))

    def laplacian(a):
        return 4 * a - np.roll(a, 1, 0) - np.roll(a, -1, 0) - np.roll(a, 1, 1) - np.roll(a, -1, 1)

    found = (dense(layers) @ x.ravel()).reshape(15, 15)
    np.testing.assert_allclose(found[4:-4, 4:-4], 0.5 * laplacian(laplacian(x))[4:-4, 4:-4], atol=1e-5)


def test_solutions_equal_direct_ones(layers, inverse):
    """Two right-hand sides, the second one a thousand times as large."""
    right = np.random.default_rng(7).normal(size=(2, *SHAPE)).astype(np.float32)
    right[1] *= 1000
    found, steps = stencil.solve(
        layers, right, np.zeros_like(right), inverse, enough=enough(inverse, right, 1e-6), most=[30, 30]
    )
    for k, size in ((0, 1), (1, 1000)):
        expected = np.linalg.solve(dense(layers), right[k].ravel())
        np.testing.assert_allclose(found[k].ravel(), expected, atol=2e-6 * size)
        assert 0 < steps[k] < 30


def test_start_at_the_solution_takes_no_step_while_the_other_goes_on(layers, inverse):
    right = np.ones((2, *SHAPE), dtype=np.float32)
    start = np.zeros_like(right)
    known, _ = stencil.solve(
        layers, right, start, inverse, enough=enough(inverse, right, 1e-6), most=[30, 30]
    )
    start[0] = known[0]
    found, steps = stencil.solve(
        layers, right, start, inverse, enough=enough(inverse, right, 1e-4), most=[30, 2]
    )
    assert steps[0] == 0
    assert steps[1] == 2
    np.testing.assert_array_equal(found[0], known[0])
    assert np.abs(found[1] - known[1]).max() < 0.1 * known[1].max()
