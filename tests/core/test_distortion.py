"""Distortion: known polynomials come back, the way back undoes the way there, and simple lenses stay simple."""

import numpy as np
import pytest

from fourlight.core.distortion import RADIAL, SIMILARITY, chosen_model, fitted, powers

HALF = (1500.0, 1000.0)
CD = 5e-4 * np.array([[-0.8, 0.6], [0.6, 0.8]])


def stars(random, count, bend, scatter=0.0):
    """Pixels of stars and their standard coordinates; ``bend`` of u, v is what SIP calls f, g."""
    u, v = (random.uniform(-half, half, count) for half in HALF)
    f, g = bend(u, v)
    xi, eta = CD @ [u + f, v + g]
    return u + random.normal(0, scatter, count), v + random.normal(0, scatter, count), xi, eta


def cubic(u, v):
    r2 = (u**2 + v**2) / 1800.0**2
    return 6 * r2 * u / 1800 + 1e-6 * u * v, 6 * r2 * v / 1800 - 2e-6 * v**2


def radial(u, v):
    r2 = (u**2 + v**2) / 1800.0**2
    return 5 * r2 * u / 1800, 5 * r2 * v / 1800


def test_exact_stars_give_their_polynomial():
    u, v, xi, eta = stars(np.random.default_rng(1), 80, cubic)
    mapping, middle = fitted(u, v, xi, eta, 3, HALF)
    assert np.allclose(mapping.cd, CD, rtol=1e-9)
    assert np.abs(middle).max() < 1e-9
    k = powers(3).index((1, 1))
    assert mapping.forward[0, k] == pytest.approx(1e-6, rel=1e-6)
    again_u, again_v = mapping.pixels(xi, eta)
    assert np.abs([again_u - u, again_v - v]).max() < 1e-6, "pixels undoes standard"


def test_the_reverse_polynomials_alone_are_good_to_a_twentieth_of_a_pixel():
    """Readers of FITS that do not iterate use AP and BP."""
    u, v, xi, eta = stars(np.random.default_rng(1), 80, cubic)
    mapping, _ = fitted(u, v, xi, eta, 3, HALF)
    far_u, far_v = np.linalg.inv(mapping.cd) @ [xi, eta]
    terms = np.array([far_u**p * far_v**q for p, q in powers(3, 1)])
    f, g = mapping.back @ terms
    assert np.abs([far_u + f - u, far_v + g - v]).max() < 0.05


@pytest.mark.parametrize(
    ("count", "bend", "model"),
    [
        (200, lambda u, v: (0 * u, 0 * v), SIMILARITY),
        (200, lambda u, v: (2e-3 * u, 0 * v), 1),
        (30, radial, RADIAL),
        (300, lambda u, v: (2e-6 * u * v, 3e-6 * v**2), 2),
        (300, lambda u, v: (4e-9 * v**3, 2e-6 * u * v), 3),
        (8, radial, SIMILARITY),
    ],
)
def test_the_model_is_as_simple_as_the_lens_and_as_the_stars_allow(count, bend, model):
    random = np.random.default_rng(4)
    found = [chosen_model(*stars(random, count, bend, 0.2), HALF) for _ in range(20)]
    assert found.count(model) >= 16


def test_the_radial_model_is_found_exactly():
    u, v, xi, eta = stars(np.random.default_rng(3), 20, radial)
    mapping, _ = fitted(u, v, xi, eta, RADIAL, HALF)
    assert mapping.order == 3
    assert np.abs(mapping.standard(u, v) - np.array([xi, eta])).max() / 5e-4 < 1e-6


def test_stars_of_one_side_get_no_polynomial():
    """What would be extrapolated to the other side is not held by any star."""
    random = np.random.default_rng(9)
    u, v, xi, eta = stars(random, 300, cubic, 0.2)
    left = u < -700
    assert chosen_model(u[left], v[left], xi[left], eta[left], HALF) in (SIMILARITY, 1, RADIAL)
