"""Normal equations of a spline through samples: against a dense fit by numpy, and exact recovery of a spline."""

import numpy as np
import pytest
from scipy.interpolate import BSpline
from scipy.ndimage import map_coordinates, spline_filter
from scipy.stats import binned_statistic_2d

from fourlight.core import bends, bspline, cfa, equations, lowered, lsq, reach, stencil
from fourlight.core.lanes import LANES
from fourlight.core.nearinverse import near_inverse
from systems import dense

SHAPE = (14, 15)
CELL = cfa.plane_map("RGGB")


def frame(random, image, shift):
    """Samples of the green-one plane of a frame of 40 x 40 pixels displaced by ``shift`` (x, y)."""
    matrix = np.array([[1.0, 0.0, shift[0]], [0.0, 1.0, shift[1]]])
    y, x = np.mgrid[:40, :40].astype(float)
    z = map_coordinates(image, [y + shift[1], x + shift[0]], order=3, mode="constant", cval=np.nan)
    return z.astype(np.float32), matrix


def no_cells(shape, fine):
    return np.zeros((shape[0], fine**2, lsq.SUMS, shape[1]), dtype=np.float32)


def gather(frames, shape, fine, plane=1):
    cells = no_cells(shape, fine)
    for z, matrix in frames:
        ones, nothing = np.ones_like(z), np.zeros_like(z)
        lsq.gathered(
            z, ones, nothing, np.zeros(z.shape, np.int8), 0, 0, bends.straight(matrix), CELL, plane, 0.1, 0.0, 1.0,
            0.0, np.zeros(shape, np.float32), 0, 0, fine, cells,
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
    ref, cells = np.full(shape, 3.0, np.float32), no_cells(shape, fine)
    lsq.gathered(z, base, slope, bad, 0, 0, bend, CELL, 3, 0.5, 2.0, 0.8, 0.3, ref, 0, 0, fine, cells)
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
        weight * (x % 1),
        weight * (y % 1),
        weight**2 * (base + 3 * slope + 0.3)[v, u],
        weight**2,
    ]
    edges = [np.arange(n * fine + 1) / fine for n in shape]
    found = np.array(binned_statistic_2d(y, x, given, "sum", bins=edges).statistic)
    by_kind = found.reshape(lsq.SUMS, shape[0], fine, shape[1], fine).transpose(1, 2, 4, 0, 3)
    np.testing.assert_allclose(cells, by_kind.reshape(cells.shape), rtol=2e-5, atol=1e-6)
    assert len(x) > 500


def equations_of(cells, kept):
    """Settled cells (a copy), their layers, right-hand side and sums."""
    shape = kept.shape
    cells, sums = cells.copy(), np.zeros((3, *shape), np.float32)
    layers = np.zeros((shape[0], stencil.LAYERS, shape[1] + 2 * stencil.RIM), np.float32)
    right = np.zeros(shape, np.float32)
    reach.settled(cells, kept, sums)
    equations.assembled(cells, layers, right)
    return cells, layers, right, sums


@pytest.mark.parametrize("fine", [2, 3])
def test_equations_equal_those_of_a_dense_fit(fine):
    """One sample per fine cell at most, so that gathering changes nothing; scipy's basis elements."""
    random = np.random.default_rng(8)
    z = random.normal(size=(40, 40)).astype(np.float32)
    shift = (-3.3, -5.8)
    kept = random.choice([1.0, 0.3], SHAPE).astype(np.float32)
    cells = gather([(z, np.array([[1.0, 0.0, shift[0]], [0.0, 1.0, shift[1]]]))], SHAPE, fine)
    _, layers, right, sums = equations_of(cells, kept)
    element = BSpline.basis_element(np.arange(-2.0, 3.0), extrapolate=False)
    rows, values, weights = [], [], []
    for j in range(0, 40, 2):
        for i in range(1, 40, 2):
            x, y = i + shift[0], j + shift[1]
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
    # sums count samples in the middles of their cells
    whole, left, squared = (part.sum() for part in sums)
    assert whole == pytest.approx(len(rows), rel=1e-5)
    assert squared == pytest.approx(len(rows), rel=1e-5)
    assert left == pytest.approx(sum(weights), rel=1e-5)
    np.testing.assert_allclose(sums[0].ravel(), design.sum(axis=0), atol=0.2 / fine)


def solved(cells, shape, strength=1e-6, kept=None, ridge=0.0):
    """Settled cells, the system, its near inverse, and the fit."""
    kept = np.ones(shape, np.float32) if kept is None else kept
    usual = strength * cells[:, :, 0].sum() / (shape[0] * shape[1])
    cells, layers, right, _ = equations_of(cells, kept)
    stencil.add_smoothness(layers, np.full(shape, usual, dtype=np.float32))
    rim = np.ones(shape, np.float32)
    rim[2:-2, 2:-2] = 0
    layers[:, 0, 3:-3] += ridge * rim  # the outermost coefficients lack samples, and would take any value
    inverse = near_inverse(layers)
    return cells, layers, inverse, solution(layers, right, np.zeros(shape, np.float32), inverse, 1e-5)


def solution(layers, right, start, inverse, tolerance):
    """Down to a residual that is this share of the right-hand side."""
    wide = stencil.wide(right)
    enough = tolerance**2 * inverse(wide, np.empty_like(wide))
    return stencil.solve(layers, right[None], start[None], inverse, enough=[enough], most=[200])[0][0]


def test_a_spline_seen_by_dithered_samples_is_recovered():
    """Band-limited image, 60 dithers of one sample in four: what comes back is the image, not a blurred one.

    The residue is that of gathering on thirds of a pixel, second order in a sixth of a pixel.
    """
    random = np.random.default_rng(9)
    shape = (40, 44)
    y, x = np.mgrid[: shape[0], : shape[1]]
    image = 100 * np.exp(-0.5 * ((x - 20.3) ** 2 + (y - 19.6) ** 2) / 1.1**2)
    frames = [frame(random, image, tuple(random.uniform(-4, 4, 2))) for _ in range(60)]
    *_, found = solved(gather(frames, shape, 3), shape)
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
    cells, layers, inverse, _ = solved(cells, shape, 3e-4, ridge=4e-3)
    inner = np.zeros(shape, np.float32)
    inner[2:-2, 2:-2] = 1

    def reach_of(right):
        reached = solution(layers, right, right / 4, inverse, 1e-4)
        power = np.zeros(shape, np.float32)
        reach.noise_power(
            cells[None], np.ones((1, *shape), np.float32), np.array([0]), reached, reached, power
        )
        return power

    power = reach_of(inner)
    for side in (8, 16, 24):
        ratios = []
        for y, x in ((22, 22), (25, 27), (27, 24)):
            block = np.zeros(shape, np.float32)
            block[y : y + side, x : x + side] = 1
            ratios.append(np.sqrt(reach_of(bspline.at_pixels(block)).sum() / power[block > 0].sum()))
        assert abs(np.mean(ratios) - 1) < 0.03


@pytest.mark.parametrize(("share", "size", "off"), [(1.0, 0.2, 3e-3), (0.5, 1.0, 1e-5)])
@pytest.mark.parametrize("fine", [2, 3])
def test_noise_power_is_that_of_every_sample(fine, share, size, off):
    """Against scipy's basis elements at each place: nearly where weights are whole, the very sum where lowered."""
    random = np.random.default_rng(13)
    shape = (30, 34)
    nothing = np.zeros((60, 60), np.float32)
    shifts = random.uniform(-14, -8, (8, 2))
    cells = gather([(nothing, np.array([[1.0, 0, u], [0, 1.0, v]])) for u, v in shifts], shape, fine)
    kept = np.full(shape, share, np.float32)
    settled, *_ = equations_of(cells, kept)
    reached, given = (1 + size * random.normal(size=(2, *shape))).astype(np.float32)
    power = np.zeros(shape, np.float32)
    reach.noise_power(settled[None], kept[None], np.array([0]), reached, given, power)
    element = BSpline.basis_element(np.arange(-2.0, 3.0), extrapolate=False)
    exact = 0.0
    for j, c, i in zip(*np.nonzero(cells[1:-2, :, 0, 1:-2] > 0), strict=True):
        w, _, x, y, noise, _ = cells[j + 1, c, :, i + 1]
        bx = np.nan_to_num(element(i + 1 + x / w - np.arange(shape[1])))
        by = np.nan_to_num(element(j + 1 + y / w - np.arange(shape[0])))
        exact += (share * (by @ reached @ bx) + (1 - share) * (by @ given @ bx)) ** 2 * noise
    assert power.sum() == pytest.approx(exact, rel=off)


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
    # Lowered everywhere: at the rim of so small a tile what reaches out changes too much to be taken in mid-cell.
    kept = (1 / (1.001 + 30 * np.exp(-away2 / 4))).astype(np.float32)
    settled, *_, sums = equations_of(cells, kept)
    given = (1 / np.maximum(sums[0], 0.05)).astype(np.float32)

    def total(values, back, kept=kept):
        these = cells.copy()
        these[:, :, 1] = values * cells[:, :, 0]
        these, _, _, found = solved(these, shape, 1e-4, kept, ridge=0.1)
        light = np.zeros(shape, np.float32)
        lowered.left_out(these, kept, found, True, light)
        return float((found + back * given * light).sum())

    x, y = settled[:, :, 2] + np.arange(18), settled[:, :, 3] + np.arange(16)[:, None, None]
    star = np.exp(-((y - 7.7) ** 2 + (x - 8.4) ** 2) / (2 * 0.5**2)).astype(np.float32)
    assert total(star, 1) == pytest.approx(2 * np.pi * 0.5**2, rel=0.05)

    _, layers, inverse, _ = solved(cells, shape, 1e-4, kept, ridge=0.1)
    gone, power = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
    lowered.left_out(settled, kept, given, False, gone)
    reached = solution(layers, 1 - gone, given.copy(), inverse, 1e-6)
    reach.noise_power(settled[None], kept[None], np.array([0]), reached, given, power)
    exact = 0.0
    for j, c, i in zip(*np.nonzero(cells[1:-2, :, 0, 1:-2] > 0), strict=True):
        one = np.zeros((shape[0], 4, shape[1]), np.float32)
        one[j + 1, c, i + 1] = 1.0
        weight, noise = cells[j + 1, c, [0, 4], i + 1]
        exact += total(one, 1) ** 2 * noise / weight**2
    assert power.sum() == pytest.approx(exact, rel=0.01)


def test_spline_filter_is_where_a_full_grid_of_samples_leads():
    """Samples at every pixel centre: the fit is scipy's interpolating spline."""
    random = np.random.default_rng(11)
    image = random.normal(size=(36, 36)).astype(np.float32)
    cells = no_cells((36, 36), 2)
    cells[:, 0, 0], cells[:, 0, 1] = 1, image
    *_, found = solved(cells, (36, 36), 1e-9)
    expected = spline_filter(image, order=3, mode="mirror")
    np.testing.assert_allclose(found[10:-10, 10:-10], expected[10:-10, 10:-10], atol=2e-2)
