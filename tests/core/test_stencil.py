"""Symmetric seven-by-seven systems against dense matrices, and conjugate gradients against a direct solver."""

import numpy as np
import pytest

from fourlight.core import stencil
from systems import dense

SHAPE = (9, 11)


@pytest.fixture
def layers():
    random = np.random.default_rng(4)
    out = random.normal(0, 0.05, (stencil.LAYERS, *SHAPE)).astype(np.float32)
    out[0] = 3 + random.random(SHAPE)
    return out


def test_product_equals_that_of_the_full_matrix(layers):
    x = np.random.default_rng(5).normal(size=SHAPE).astype(np.float32)
    out = np.empty_like(x)
    stencil.applied(layers, x, out)
    np.testing.assert_allclose(out.ravel(), dense(layers) @ x.ravel(), rtol=0, atol=1e-5)


def test_smoothness_is_the_squared_laplacian_inside():
    """The five-point Laplacian applied by hand, weighed, and applied again."""
    layers = np.zeros((stencil.LAYERS, 13, 13), dtype=np.float32)
    weight = np.random.default_rng(5).uniform(0.2, 0.8, (13, 13))
    stencil.add_smoothness(layers, weight.astype(np.float32))
    x = np.random.default_rng(6).normal(size=(13, 13))

    def laplacian(a):
        return 4 * a - np.roll(a, 1, 0) - np.roll(a, -1, 0) - np.roll(a, 1, 1) - np.roll(a, -1, 1)

    out = np.empty((13, 13), dtype=np.float32)
    stencil.applied(layers, x.astype(np.float32), out)
    np.testing.assert_allclose(out[4:-4, 4:-4], laplacian(weight * laplacian(x))[4:-4, 4:-4], atol=1e-5)


def test_solution_equals_a_direct_one(layers):
    right = np.random.default_rng(7).normal(size=SHAPE).astype(np.float32)
    found, steps = stencil.solve(
        layers, right, np.zeros_like(right), stencil.preconditioner(layers), tolerance=1e-6
    )
    np.testing.assert_allclose(found.ravel(), np.linalg.solve(dense(layers), right.ravel()), atol=2e-6)
    assert 0 < steps < 30


def test_start_at_the_solution_takes_no_step(layers):
    right = np.ones(SHAPE, dtype=np.float32)
    inverse = stencil.preconditioner(layers)
    found, _ = stencil.solve(layers, right, np.zeros_like(right), inverse, tolerance=1e-6)
    assert stencil.solve(layers, right, found, inverse, tolerance=1e-4)[1] == 0
