"""Normal equations of a spline through samples: against a dense fit by numpy, and exact recovery of a spline."""

import numpy as np
import pytest
from scipy.interpolate import BSpline
from scipy.ndimage import map_coordinates, spline_filter
from scipy.stats import binned_statistic_2d

from fourlight.core import bends, bspline, cfa, lsq, stencil
from fourlight.core.lanes import LANES
from systems import dense

SHAPE = (14, 15)
CELL = cfa.plane_map("RGGB")


def frame(random, image, shift):
    """Samples of the green-one plane of a frame of 40 x 40 pixels displaced by ``shift`` (x, y)."""
    matrix = np.array([[1.0, 0.0, shift[0]], [0.0, 1.0, shift[1]]])
    y, x = np.mgrid[:40, :40].astype(float)
    z = map_coordinates(image, [y + shift[1], x + shift[0]], order=3, mode="constant", cval=np.nan)
    return z.astype(np.float32), matrix


def gather(frames, shape, fine, plane=1):
    cells = np.zeros((shape[0] * fine, shape[1] * fine, lsq.SUMS), dtype=np.float32)
    for z, matrix in frames:
        ones, nothing = np.ones_like(z), np.zeros_like(z)
        lsq.gathered(
            z, ones, nothing, np.zeros(z.shape, np.int8), 0, 0, bends.straight(matrix), CELL, plane, 0.1, 0.0, 1.0,
            np.zeros(shape, np.float32), 0, 0, fine, cells,
        )  # fmt: skip
    return cells


@pytest.mark.parametrize("fine", [2, 3])
def test_fine_cells_hold_what_scipy_bins_there(fine):
    """A frame with missing and rejected samples, turned and bent; rows longer than the kernel works on at once."""
    random = np.random.default_rng(7)
    shape, size = (15, 400), (20, 2 * LANES + 120)
    z, base, slope = (random.uniform(1, 5, size).astype(np.float32) for _ in range(3))
    z[random.random(size) < 0.1] = np.nan
    bad = (random.random(size) < 0.1).astype(np.int8)
    bend = bends.straight(np.array([[0.9, 0.02, -40.3], [0.004, 0.9, -2.2]]))
    bend[0, 2, 0] = -1e-5
    ref, cells = np.full(shape, 3.0, np.float32), np.zeros((shape[0] * fine, shape[1] * fine, 6), np.float32)
    lsq.gathered(z, base, slope, bad, 0, 0, bend, CELL, 3, 0.5, 2.0, 0.8, ref, 0, 0, fine, cells)
    v, u = np.nonzero(np.isfinite(z) & (bad == 0))
    own = CELL[v % 2, u % 2] == 3
    v, u = v[own], u[own]
    x, y = bends.apply(bend, u.astype(float), v.astype(float))
    inside = (x >= 0) & (y >= 0) & (x <= shape[1] - 1) & (y <= shape[0] - 1)
    x, y, v, u = x[inside], y[inside], v[inside], u[inside]
    weight = 0.8 / (base + 2 * slope)[v, u]
    given = [
        weight,
        weight * z[v, u],
        weight * x,
        weight * y,
        weight**2 * (base + 3 * slope)[v, u],
        weight**2,
    ]
    edges = [np.arange(-0.5, n - 0.49, 1 / fine) for n in shape]
    found = binned_statistic_2d(y, x, given, "sum", bins=edges).statistic
    np.testing.assert_allclose(cells, np.moveaxis(found, 0, -1), rtol=2e-5, atol=1e-6)
    assert len(x) > 500


def test_equations_equal_those_of_a_dense_fit():
    """One sample per fine cell at most, so that gathering changes nothing; scipy's basis elements."""
    random = np.random.default_rng(8)
    image = random.normal(size=SHAPE)
    z, matrix = frame(random, image, (-3.3, -5.8))
    kept = random.choice([1.0, 0.3], SHAPE).astype(np.float32)
    cells = gather([(z, matrix)], SHAPE, 2)
    layers, right = np.zeros((stencil.LAYERS, *SHAPE), np.float32), np.zeros(SHAPE, np.float32)
    sums = np.zeros((3, *SHAPE), np.float32)
    lsq.assembled(cells, kept, layers, right, sums)
    element = BSpline.basis_element(np.arange(-2.0, 3.0), extrapolate=False)
    rows, values, weights = [], [], []
    for j in range(0, 40, 2):
        for i in range(1, 40, 2):
            x, y = i - 3.3, j - 5.8
            if not (1 <= np.floor(x) <= SHAPE[1] - 3 and 1 <= np.floor(y) <= SHAPE[0] - 3):
                continue
            bx = np.nan_to_num(element(x - np.arange(SHAPE[1])))
            by = np.nan_to_num(element(y - np.arange(SHAPE[0])))
            rows.append(np.outer(by, bx).ravel())
            values.append(z[j, i])
            weights.append(kept[round(y), round(x)])
    design, weighed = np.array(rows), np.array(rows) * np.array(weights)[:, None]
    np.testing.assert_allclose(dense(layers), weighed.T @ design, atol=1e-5)
    np.testing.assert_allclose(right.ravel(), weighed.T @ np.array(values), atol=1e-5)
    np.testing.assert_allclose(sums[0].ravel(), design.sum(axis=0), atol=1e-5)
    for lane, total in ((0, sums[1]), (5, sums[2])):
        expected = np.add.reduceat(np.add.reduceat(cells[..., lane], range(0, 28, 2), 0), range(0, 30, 2), 1)
        np.testing.assert_array_equal(total, expected)


def solved(cells, shape, strength=1e-6, kept=None, ridge=0.0):
    kept = np.ones(shape, np.float32) if kept is None else kept
    layers, right = np.zeros((stencil.LAYERS, *shape), np.float32), np.zeros(shape, np.float32)
    lsq.assembled(cells, kept, layers, right, np.zeros((3, *shape), np.float32))
    usual = strength * cells[..., 0].sum() / (shape[0] * shape[1])
    stencil.add_smoothness(layers, np.full(shape, usual, dtype=np.float32))
    rim = np.ones(shape, np.float32)
    rim[2:-2, 2:-2] = 0
    layers[0] += ridge * rim  # the outermost coefficients lack samples, and would take any value
    inverse = stencil.preconditioner(layers)
    start = np.zeros(shape, dtype=np.float32)
    return layers, stencil.solve(layers, right, start, inverse, tolerance=1e-5, most=200)[0]


def test_a_spline_seen_by_dithered_samples_is_recovered():
    """Band-limited image, 60 dithers of one sample in four: what comes back is the image, not a blurred one.

    The residue is that of gathering on thirds of a pixel, second order in a sixth of a pixel.
    """
    random = np.random.default_rng(9)
    shape = (40, 44)
    y, x = np.mgrid[: shape[0], : shape[1]]
    image = 100 * np.exp(-0.5 * ((x - 20.3) ** 2 + (y - 19.6) ** 2) / 1.1**2)
    frames = [frame(random, image, tuple(random.uniform(-4, 4, 2))) for _ in range(60)]
    _, found = solved(gather(frames, shape, 3), shape)
    error = (bspline.at_pixels(found) - image)[10:-10, 10:-10]
    assert abs(error).max() < 1.0
    assert abs(error.sum()) < 0.005 * image.sum()


def test_noise_power_is_that_of_area_sums():
    """The variance of the sum over a block, exact by linearity: solve for what each sample adds to that sum.

    Sixteen dithers without rotation are as uneven as coverage gets. White noise has no rim effect, so VAR should
    hold on blocks of 8 pixels as on larger ones; what is left is the unevenness within the rim.
    """
    random = np.random.default_rng(10)
    shape = (72, 72)
    nothing = np.zeros((92, 92), dtype=np.float32)
    shifts = random.uniform(-6, 6, (16, 2)) - 10
    cells = gather([(nothing, np.array([[1.0, 0, u], [0, 1.0, v]])) for u, v in shifts], shape, 3)
    layers, _ = solved(cells, shape, 3e-4, ridge=4e-3)
    inner = np.zeros(shape, np.float32)
    inner[2:-2, 2:-2] = 1

    def reach_of(right):
        inverse = stencil.preconditioner(layers)
        reach, _ = stencil.solve(layers, right, right / 4, inverse, tolerance=1e-4, most=100)
        power = np.zeros(shape, np.float32)
        lsq.noise_power(cells, np.ones(shape, np.float32), reach, reach, power)
        return power

    power = reach_of(inner)
    for side in (8, 16, 24):
        ratios = []
        for y, x in ((22, 22), (25, 27), (27, 24)):
            block = np.zeros(shape, np.float32)
            block[y : y + side, x : x + side] = 1
            ratios.append(np.sqrt(reach_of(bspline.at_pixels(block)).sum() / power[block > 0].sum()))
        assert abs(np.mean(ratios) - 1) < 0.03


def test_light_that_lowered_weights_leave_out_is_given_back_with_its_noise():
    """A star that no spline of this grid follows: its light is kept, and VAR is that of what is done to the samples.

    The variance is exact by linearity: each sample's share of the sum of all pixels, found by changing it.
    """
    random = np.random.default_rng(12)
    shape = (16, 18)
    z = np.zeros((40, 40), np.float32)
    frames = [(z, np.array([[1.0, 0, u], [0, 1.0, v]])) for u, v in random.uniform(-9, -5, (80, 2))]
    cells = gather(frames, shape, 2)
    y, x = np.mgrid[: shape[0], : shape[1]]
    away2 = (y - 7.7) ** 2 + (x - 8.4) ** 2
    kept = (1 / (1 + 30 * np.exp(-away2 / 4))).astype(np.float32)
    density = np.zeros(shape, np.float32)
    lsq.scattered(cells, cells[..., 0].copy(), density)
    given = (1 / np.maximum(density, 0.05)).astype(np.float32)

    def total(values, back, kept=kept):
        these = cells.copy()
        these[..., 1] = values * cells[..., 0]
        _, found = solved(these, shape, 1e-4, kept, ridge=0.1)
        light = np.zeros(shape, np.float32)
        lsq.left_out(these, kept, found, given, light, np.zeros(shape, np.float32))
        return float((found + back * given * light).sum())

    places = cells[..., 2:4] / np.maximum(cells[..., :1], 1e-9)
    star = np.exp(-((places[..., 1] - 7.7) ** 2 + (places[..., 0] - 8.4) ** 2) / (2 * 0.5**2)).astype(
        np.float32
    )
    assert total(star, 1) == pytest.approx(2 * np.pi * 0.5**2, rel=0.05)

    layers, _ = solved(cells, shape, 1e-4, kept, ridge=0.1)
    gone, power = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
    lsq.left_out(cells, kept, given, given, np.zeros(shape, np.float32), gone)
    inverse = stencil.preconditioner(layers)
    reach, _ = stencil.solve(layers, 1 - gone, given.copy(), inverse, tolerance=1e-6, most=200)
    lsq.noise_power(cells, kept, reach, given, power)
    exact = 0.0
    for fy, fx in zip(*np.nonzero(cells[..., 0] > 0), strict=True):
        one = np.zeros(cells.shape[:2], np.float32)
        one[fy, fx] = 1.0
        exact += total(one, 1) ** 2 * cells[fy, fx, 4] / cells[fy, fx, 0] ** 2
    assert power.sum() == pytest.approx(exact, rel=0.01)


def test_spline_filter_is_where_a_full_grid_of_samples_leads():
    """Samples at every pixel centre: the fit is scipy's interpolating spline."""
    random = np.random.default_rng(11)
    image = random.normal(size=(36, 36)).astype(np.float32)
    cells = np.zeros((36, 36, lsq.SUMS), np.float32)
    y, x = np.mgrid[:36, :36]
    cells[..., 0], cells[..., 1], cells[..., 2], cells[..., 3] = 1, image, x, y
    _, found = solved(cells, (36, 36), 1e-9)
    expected = spline_filter(image, order=3, mode="mirror")
    np.testing.assert_allclose(found[10:-10, 10:-10], expected[10:-10, 10:-10], atol=2e-2)
