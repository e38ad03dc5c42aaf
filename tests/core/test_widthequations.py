"""Normal equations of a shape against a dense least-squares problem with a light and a sky for each star."""

import numpy as np
import pytest

from fourlight.core.pixelprofile import fill_profile, point_value
from fourlight.core.profilerest import no_rest, rest_at
from fourlight.core.widthequations import levels, star_sums

CELL = np.array([[0, 1], [2, 3]])
SHAPE, WINGS = np.array([0.4, 0.05, 0.5, 0.1, -0.1]), 0.3
RADIUS = 5
REST = 0.02 * np.random.default_rng(5).normal(size=no_rest(RADIUS).shape)
HALF = np.array([0, 1, 1, 0, 0, 1])


@pytest.fixture
def stars():
    rng = np.random.default_rng(1)
    x, y = rng.uniform(10, 50, (2, 6, 1)) + np.zeros(4)
    image = rng.normal(100, 5, (60, 60)).astype(np.float32)
    image[20, 20] = np.nan
    return image, x, y, rng.uniform(50, 200, (6, 4)), rng.uniform(0.5, 1, 6), rng.uniform(0.1, 1, 6)


def dense(stars, plane):
    """Rows of all samples: six derivatives, then light and sky of each star; values; weights."""
    image, x, y, scale, flat, photon = stars
    rows, values, weights = [], [], []
    for k in range(len(x)):
        x0, y0 = round(x[k, plane]), round(y[k, plane])
        for j in range(y0 - RADIUS, y0 + RADIUS + 1):
            for i in range(x0 - RADIUS, x0 + RADIUS + 1):
                near = (i - x0) ** 2 + (j - y0) ** 2 <= RADIUS**2 + RADIUS
                if CELL[j % 2, i % 2] != plane or not near or np.isnan(image[j, i]):
                    continue
                dx, dy, row = i - x[k, plane], j - y[k, plane], np.zeros(6 + 2 * len(x))
                value = np.empty(7)
                fill_profile(dx - SHAPE[3], dy - SHAPE[4], SHAPE, WINGS, value)
                value[6] += rest_at(REST[HALF[k]], 1.1 * (dx - SHAPE[3]), 1.1 * (dy - SHAPE[4]))
                row[:6], row[6 + 2 * k], row[7 + 2 * k] = value[:6], value[6], 1.0
                rows.append((k, row))
                values.append(image[j, i] / scale[k, plane])
                weights.append(1 / (flat[k] + photon[k] * point_value(dx, dy, SHAPE[:3], WINGS)))
    return rows, np.array(values), np.array(weights)


@pytest.mark.parametrize("plane", [0, 1, 3])
def test_the_step_is_that_of_the_dense_problem(stars, plane):
    image, x, y, scale, flat, photon = stars
    n = len(x)
    matrix, scores = np.zeros((6, 6)), np.zeros((n, 6))
    squares = star_sums(
        image, CELL, np.array([plane]), x, y, RADIUS, scale, flat, photon, SHAPE[:3].copy(), WINGS, SHAPE, WINGS,
        REST, HALF, 1.1, matrix, scores,
    )  # fmt: skip
    rows, values, weights = dense(stars, plane)
    design, root = np.array([row for _, row in rows]), np.sqrt(weights)
    # light and sky first: they are linear, and derivatives scale with the light
    level = np.linalg.lstsq(design[:, 6:] * root[:, None], values * root, rcond=None)[0]
    for m, (k, _) in enumerate(rows):
        design[m, :6] *= level[2 * k]
    rest = values - design[:, 6:] @ level
    step = np.linalg.lstsq(design * root[:, None], rest * root, rcond=None)[0][:6]
    whole = matrix + np.tril(matrix, -1).T
    np.testing.assert_allclose(np.linalg.solve(whole, scores.sum(axis=0)), step, rtol=1e-7, atol=1e-10)
    assert squares == pytest.approx((weights * rest**2).sum(), rel=1e-9)


def test_height_and_error_of_a_star():
    image, out = np.full((31, 31), 20.0, dtype=np.float32), np.empty(7)
    shape, x, y = SHAPE[:3].copy(), np.array([15.3]), np.array([14.8])
    for j in range(31):
        for i in range(31):
            fill_profile(i - x[0], j - y[0], shape, WINGS, out)
            image[j, i] += 500 * out[6]
    height, error = levels(image, CELL, 1, 25.0, 0.0, x, y, shape, WINGS, RADIUS)
    assert height[0] == pytest.approx(500, rel=1e-5)
    rng = np.random.default_rng(2)
    noisy = [
        levels((image + rng.normal(0, 5, image.shape)).astype(np.float32), CELL, 1, 25.0, 0.0, x, y, shape, WINGS,
               RADIUS)[0][0] for _ in range(400)
    ]  # fmt: skip
    assert np.std(noisy) == pytest.approx(error[0], rel=0.12)


def test_without_samples_there_is_no_height():
    nothing = np.full((31, 31), np.nan, dtype=np.float32)
    height, error = levels(
        nothing, CELL, 0, 1.0, 1.0, np.array([15.0]), np.array([15.0]), SHAPE[:3].copy(), 0.3, 5
    )
    assert (height[0], error[0]) == (0.0, np.inf)
