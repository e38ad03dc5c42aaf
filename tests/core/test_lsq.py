"""Normal equations of a spline through samples: against a dense fit by numpy, and exact recovery of a spline."""

import numpy as np
from scipy.interpolate import BSpline
from scipy.ndimage import map_coordinates, spline_filter

from fourlight.core import bends, bspline, cfa, lsq, stencil
from systems import dense

SHAPE = (14, 15)
CELL = cfa.plane_map("RGGB")


def frame(random, image, shift):
    """Samples of the green-one plane of a frame of 40 x 40 pixels displaced by ``shift`` (x, y)."""
    matrix = np.array([[1.0, 0.0, shift[0]], [0.0, 1.0, shift[1]]])
    y, x = np.mgrid[:40, :40].astype(float)
    z = map_coordinates(image, [y + shift[1], x + shift[0]], order=3, mode="constant", cval=np.nan)
    return z.astype(np.float32), matrix


def gather(frames, shape, fine, plane=1, misfit=None):
    misfit = np.zeros(shape, np.float32) if misfit is None else misfit
    cells = np.zeros((shape[0] * fine, shape[1] * fine, lsq.LANES), dtype=np.float32)
    for z, matrix in frames:
        ones, nothing = np.ones_like(z), np.zeros_like(z)
        lsq.gathered(
            z, ones, nothing, np.zeros(z.shape, np.int8), 0, 0, bends.straight(matrix), CELL, plane, 0.1, 0.0,
            np.zeros(shape, np.float32), misfit, 0, 0, fine, cells,
        )  # fmt: skip
    return cells


def test_equations_equal_those_of_a_dense_fit():
    """One sample per fine cell at most, so that gathering changes nothing; scipy's basis elements.

    Misfit adds to the variance of one, up to 30 times it.
    """
    random = np.random.default_rng(8)
    image = random.normal(size=SHAPE)
    z, matrix = frame(random, image, (-3.3, -5.8))
    misfit = random.choice([0.0, 3.0, 1e6], SHAPE).astype(np.float32)
    cells = gather([(z, matrix)], SHAPE, 2, misfit=misfit)
    layers, right = np.zeros((stencil.LAYERS, *SHAPE), np.float32), np.zeros(SHAPE, np.float32)
    lsq.assembled(cells, layers, right)
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
            weights.append({0.0: 1, 3.0: 1 / (1 + 30 * 3 / 33), 1e6: 1 / 31}[misfit[round(y), round(x)]])
    design, weighed = np.array(rows), np.array(rows) * np.array(weights)[:, None]
    np.testing.assert_allclose(dense(layers), weighed.T @ design, atol=1e-5)
    np.testing.assert_allclose(right.ravel(), weighed.T @ np.array(values), atol=1e-5)


def solved(cells, shape, strength=1e-6):
    layers, right = np.zeros((stencil.LAYERS, *shape), np.float32), np.zeros(shape, np.float32)
    lsq.assembled(cells, layers, right)
    usual = strength * cells[..., 0].sum() / (shape[0] * shape[1])
    stencil.add_smoothness(layers, np.full(shape, usual, dtype=np.float32))
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
    layers, _ = solved(cells, shape, 3e-4)
    inner = np.zeros(shape, np.float32)
    inner[2:-2, 2:-2] = 1
    layers[0] += 4e-3 * (1 - inner)  # the outermost coefficients lack samples, and would take any value

    def reach_of(right):
        inverse = stencil.preconditioner(layers)
        reach, _ = stencil.solve(layers, right, right / 4, inverse, tolerance=1e-4, most=100)
        power = np.zeros(shape, np.float32)
        lsq.noise_power(cells, reach, power)
        return power

    power = reach_of(inner)
    for side in (8, 16, 24):
        ratios = []
        for y, x in ((22, 22), (25, 27), (27, 24)):
            block = np.zeros(shape, np.float32)
            block[y : y + side, x : x + side] = 1
            ratios.append(np.sqrt(reach_of(bspline.at_pixels(block)).sum() / power[block > 0].sum()))
        assert abs(np.mean(ratios) - 1) < 0.03


def test_spline_filter_is_where_a_full_grid_of_samples_leads():
    """Samples at every pixel centre: the fit is scipy's interpolating spline."""
    random = np.random.default_rng(11)
    image = random.normal(size=(36, 36)).astype(np.float32)
    cells = np.zeros((36, 36, lsq.LANES), np.float32)
    y, x = np.mgrid[:36, :36]
    cells[..., 0], cells[..., 1], cells[..., 2], cells[..., 3] = 1, image, x, y
    _, found = solved(cells, (36, 36), 1e-9)
    expected = spline_filter(image, order=3, mode="mirror")
    np.testing.assert_allclose(found[10:-10, 10:-10], expected[10:-10, 10:-10], atol=2e-2)
