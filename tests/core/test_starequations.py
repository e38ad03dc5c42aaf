"""Sums over the samples of stars against slow numpy versions, and against numerical derivatives."""

import numpy as np
import pytest

from fourlight.core.cfa import plane_map
from fourlight.core.starequations import WORK, eliminate, equations_of, set_star, solve, star_equations
from fourlight.core.starmodel import BETA, LANES, disc_room, disc_samples, level_fit, profile

CELL = plane_map("GBRG")
SHAPE = (30, 33)


def slow_samples(image, cell, plane, x0, y0, r):
    y, x = np.mgrid[: image.shape[0], : image.shape[1]]
    use = (cell[y % 2, x % 2] == plane) & ((x - x0) ** 2 + (y - y0) ** 2 <= r * r + r) & np.isfinite(image)
    return sorted(zip(x[use] - x0, y[use] - y0, image[use], strict=True))


@pytest.mark.parametrize("place", [(15, 14), (14, 15), (0, 0), (32, 3), (31, 29), (-4, 12), (60, 60)])
@pytest.mark.parametrize("r", [0, 1, 4, 5, 9])
@pytest.mark.parametrize("cell", [CELL, np.zeros((2, 2), dtype=np.int64)], ids=["mosaic", "picture"])
def test_samples_of_a_disc(place, r, cell):
    rng = np.random.default_rng(1)
    image = rng.normal(0, 1, SHAPE).astype(np.float32)
    image[rng.random(SHAPE) < 0.2] = np.nan
    room = disc_room(cell, r)
    for plane in range(4):
        kept = np.full((4, room, 3), 7.0)
        n = disc_samples(image, cell, plane, *place, r, kept, 1)
        found = sorted(zip(kept[0, :n, 1], kept[1, :n, 1], kept[2, :n, 1].astype(np.float32), strict=True))
        assert found == slow_samples(image, cell, plane, *place, r)
        assert (kept[3, :n, 1] == 1).all()
        assert (kept[:, n:, 1] == 0).all()
        assert (kept[:, :, [0, 2]] == 7).all()


@pytest.mark.parametrize("cell", [CELL, np.zeros((2, 2), dtype=np.int64)], ids=["mosaic", "picture"])
def test_room_is_what_the_fullest_disc_needs(cell):
    image = np.zeros((60, 60), dtype=np.float32)
    for r in range(10):
        room = disc_room(cell, r)
        samples = np.empty((4, room, 1))
        counts = [len(slow_samples(image, cell, 0, 30 + dx, 30 + dy, r)) for dy, dx in np.ndindex(2, 2)]
        assert max(counts) <= room <= 1.4 * max(counts) + 4
        assert disc_samples(image, cell, 0, 30, 30, r, samples, 0) == counts[0]


def model(samples, p):
    dx, dy = samples[0] - p[3], samples[1] - p[4]
    return p[5] * (1 + p[0] * dx**2 + 2 * p[1] * dx * dy + p[2] * dy**2) ** -BETA + p[6]


def lanes_of(rng):
    """Samples of all lanes, the last one idle, and the parameters of each."""
    samples = np.zeros((4, 20, LANES))
    samples[:2] = rng.integers(-4, 5, (2, 20, LANES))
    samples[2], samples[3] = rng.normal(50, 9, (20, LANES)), 1
    samples[:, 15:, 3] = 0
    samples[:, :, -1] = 0
    p = np.column_stack(
        [
            rng.uniform(0.2, 0.5, LANES), rng.uniform(-0.05, 0.05, LANES), rng.uniform(0.2, 0.5, LANES),
            *rng.uniform(-0.5, 0.5, (2, LANES)), rng.uniform(-20, 200, LANES), rng.uniform(40, 60, LANES),
        ]
    )  # fmt: skip
    return samples, p


@pytest.mark.parametrize("poisson", [0.0, 1.0])
def test_equations_are_those_of_numerical_derivatives(poisson):
    samples, parameters = lanes_of(np.random.default_rng(2))
    work, full, right = np.full(WORK, np.nan), np.empty((7, 7)), np.empty(7)
    for lane, p in enumerate(parameters):
        set_star(work, lane, p[:5], p[5], p[6], 4.0 + lane)
    star_equations(samples, poisson, work)
    for lane, p in enumerate(parameters):
        chi2 = equations_of(work, lane, full, right)
        own = samples[:, samples[3, :, lane] > 0, lane]
        light = np.maximum(model(own, p) - p[6], 0)
        weight = 1 / (4.0 + lane + poisson * light)
        residual = own[2] - model(own, p)
        design = np.empty((own.shape[1], 7))
        for k in range(7):
            step = np.zeros(7)
            step[k] = 1e-5 * max(abs(p[k]), 0.1)
            design[:, k] = (model(own, p + step) - model(own, p - step)) / (2 * step[k])
        assert chi2 == pytest.approx(float((weight * residual**2).sum()))
        np.testing.assert_allclose(right, design.T @ (weight * residual), rtol=1e-5, atol=1e-5)
        expected = (design.T * weight) @ design
        low = np.tril_indices(7)
        np.testing.assert_allclose(full[low], expected[low], rtol=1e-5, atol=1e-5)


def test_elimination_gives_the_solution_of_the_whole():
    """Five shared unknowns and two of each of three planes: the big system by numpy."""
    rng = np.random.default_rng(3)
    matrix, vector, whole, side = np.zeros((5, 5)), np.zeros(5), np.zeros((11, 11)), np.zeros(11)
    for plane in range(3):
        half = rng.normal(0, 1, (9, 7))
        full, right = half.T @ half, rng.normal(0, 1, 7)
        own = [*range(5), 5 + 2 * plane, 6 + 2 * plane]
        whole[np.ix_(own, own)] += full
        side[own] += right
        eliminate(np.tril(full), right, 0.2, matrix, vector)
    whole[np.diag_indices(11)] *= 1.2
    assert solve(matrix, vector)
    np.testing.assert_allclose(vector, np.linalg.solve(whole, side)[:5], rtol=1e-9)


def test_a_plane_without_samples_adds_nothing():
    matrix, vector = np.zeros((5, 5)), np.zeros(5)
    eliminate(np.zeros((7, 7)), np.zeros(7), 0.1, matrix, vector)
    assert not matrix.any()
    assert not vector.any()


def test_levels_are_the_weighted_least_squares_of_numpy():
    samples, parameters = lanes_of(np.random.default_rng(4))
    light = np.empty(20)
    for lane, p in enumerate(parameters[:-1]):
        n = int(samples[3, :, lane].sum())
        profile(samples, lane, n, p[:5], light)
        unit = model(samples[:, :n, lane], np.array([*p[:5], 1.0, 0.0]))
        np.testing.assert_allclose(light[:n], unit, rtol=1e-12)
        weight = 1 / (9.0 + 2.0 * np.maximum(30.0 * unit, 0))
        design = np.column_stack([unit, np.ones(n)])
        normal = (design.T * weight) @ design
        best, covariance = (
            np.linalg.solve(normal, design.T @ (weight * samples[2, :n, lane])),
            np.linalg.inv(normal),
        )
        found = level_fit(light, samples, lane, n, 9.0, 2.0, 30.0)
        assert found == pytest.approx((best[0], covariance[0, 0], best[1]), rel=1e-8)


@pytest.mark.parametrize("n", [0, 1])
def test_too_few_samples_have_no_level(n):
    samples, light = np.ones((4, 3, 1)), np.ones(3)
    assert level_fit(light, samples, 0, n, 1.0, 0.0, 0.0) == (0.0, -1.0, 0.0)
