"""Deposits against a slow loop in float64, the noise of area means against exact sums, and conservation."""

import runpy
from pathlib import Path

import numpy as np
import pytest
from scipy import sparse

from fourlight.core.bends import apply, straight
from fourlight.core.cfa import plane_map
from fourlight.core.drizzle import area_factor, deposit_values, deposit_variance
from fourlight.core.lanes import LANES
from fourlight.core.overlap import PHASES, overlap_table

fields = runpy.run_path(str(Path(__file__).parents[1] / "fields.py"))
CELL = plane_map("RGGB")


def interval_shares(position, side, count):
    """(n, count) exact overlap of intervals with unit pixels, over the interval's length."""
    low = np.maximum(position[:, None] - side / 2, np.arange(count) - 0.5)
    high = np.minimum(position[:, None] + side / 2, np.arange(count) + 0.5)
    return np.clip(high - low, 0, None) / side


def upright_drops(matrix, shape, plane, pixfrac, out_shape):
    """Sparse (pixels, samples) shares of one plane's drops for an upright map, by intervals; flat index of samples."""
    py, px = np.argwhere(plane == CELL)[0]
    v, u = np.mgrid[py : shape[0] : 2, px : shape[1] : 2]
    x, y = matrix[0][0] * u[0] + matrix[0][2], matrix[1][1] * v[:, 0] + matrix[1][2]
    side = pixfrac * abs(matrix[0][0])
    across, down = (interval_shares(p, side, n).T for p, n in ((x, out_shape[1]), (y, out_shape[0])))
    shares = sparse.csr_array(sparse.kron(sparse.csr_array(down), sparse.csr_array(across)))
    return shares, (v * shape[1] + u).ravel()


def deposited(frames, pixfrac, out_shape, plane, level=50.0):
    """Sums of values and of noise power by the kernels; frames are (z, base, slope, bad, matrix)."""
    sums = np.zeros((*out_shape, 4), dtype=np.float32)
    ref = np.full(out_shape, level, dtype=np.float32)
    common = [
        (z, base, slope, bad, 0, 0, straight(np.array(m, float)), CELL, plane,
         overlap_table(np.array(m, float)[:, :2], pixfrac), 0.5, 20.0, 1.0, 0.0, ref, 0, 0)
        for z, base, slope, bad, m in frames
    ]  # fmt: skip
    for arguments in common:
        deposit_values(*arguments, sums)
    with np.errstate(divide="ignore"):
        inverse = np.where(sums[..., 1] > 0, 1 / sums[..., 1], 0)[..., None].repeat(4, -1).astype(np.float32)
    power = np.zeros((*out_shape, 4), dtype=np.float32)
    for arguments in common:
        deposit_variance(*arguments, inverse, power)
    return sums.astype(float), power.astype(float)


def invented(seed, shape, matrices, missing=0.05):
    rng = np.random.default_rng(seed)
    frames = []
    for matrix in matrices:
        z = rng.normal(60, 5, shape).astype(np.float32)
        z[rng.random(shape) < missing] = np.nan
        base, slope = (rng.uniform(*r, shape).astype(np.float32) for r in ((4, 9), (0.5, 1.5)))
        frames.append((z, base, slope, (rng.random(shape) < missing).astype(np.int8), matrix))
    return frames


@pytest.mark.parametrize(("pixfrac", "scale"), [(1.0, 1.0), (0.6, 1.0), (2.0, 1.0), (1.0, 1.5), (2.0, 1.5)])
@pytest.mark.parametrize("plane", [0, 2])
def test_sums_equal_a_slow_float64_version(pixfrac, scale, plane):
    rng = np.random.default_rng(3)
    shape = out_shape = (30, 34)
    # places on the table's own grid, so that nothing but float32 arithmetic may differ
    grid = (rng.integers(0, 1024, (5, 2)) + 0.5) / PHASES
    flip = [1, -1, 1, -1, 1]
    matrices = [
        [[f * scale, 0, gx + (33 * scale if f < 0 else 0)], [0, f * scale, gy + (29 * scale if f < 0 else 0)]]
        for f, (gx, gy) in zip(flip, grid, strict=True)
    ]
    frames = invented(plane, shape, matrices)
    sums, power = deposited(frames, pixfrac, out_shape, plane)
    expected = np.zeros((4, out_shape[0] * out_shape[1]))
    parts = []
    for z, base, slope, bad, matrix in frames:
        shares, index = upright_drops(matrix, shape, plane, pixfrac, out_shape)
        z, base, slope, bad = (part.ravel()[index].astype(float) for part in (z, base, slope, bad))
        inside = np.abs(shares.sum(axis=0) - 1) < 1e-9
        good = np.isfinite(z) & (bad == 0) & inside
        weight = np.where(good, 1 / np.maximum(base + slope * 20.0, 0.5), 0)
        variance = np.maximum(base + slope * 50.0, 0.5)
        expected[0] += shares @ (weight * np.where(good, z, 0))
        expected[1] += shares @ weight
        expected[2] += shares @ weight**2
        expected[3] += (shares * shares) @ (weight**2 * variance)
        parts.append((shares, weight, variance))
    inner = np.s_[8:-8, 8:-8]
    for k in range(4):
        truth = expected[k].reshape(out_shape)[inner]
        np.testing.assert_allclose(sums[..., k][inner], truth, rtol=3e-5, atol=1e-6)
    inverse = np.divide(1, expected[1], out=np.zeros_like(expected[1]), where=expected[1] > 0)
    noise = np.zeros(expected.shape[1])
    for shares, weight, variance in parts:
        noise += shares @ (variance * (weight * (shares.T @ inverse)) ** 2)
    truth = noise.reshape(out_shape)[inner]
    np.testing.assert_allclose(power[..., 0][inner], truth, rtol=1e-4, atol=1e-7)


def one_by_one(frame, bend, table, shape, inverse=None):
    """The same sums sample by sample in numpy, from the table's shares; with ``inverse`` noise power instead."""
    z, base, slope, bad = frame[:4]
    n, out = table.shape[2], np.zeros((*shape, 4))
    for v, u in np.argwhere(np.isfinite(z) & (bad == 0)):
        if CELL[v % 2, u % 2] != 1:
            continue
        x, y = (float(part) - 0.5 * (n - 2) for part in apply(bend, np.array(float(u)), np.array(float(v))))
        i, j = int(np.floor(x)), int(np.floor(y))
        if not (0 <= i <= shape[1] - n and 0 <= j <= shape[0] - n):
            continue
        share = table[int((x - i) * PHASES), int((y - j) * PHASES)].astype(float)
        weight = 1 / max(base[v, u] + slope[v, u] * 20.0, 0.5)
        noise = weight**2 * max(base[v, u] + slope[v, u] * 50.0, 0.5)
        part = out[j : j + n, i : i + n]
        if inverse is None:
            part += np.stack(
                [weight * z[v, u] * share, weight * share, weight**2 * share, noise * share**2], -1
            )
        else:
            part += (
                noise * share[..., None] * (share[..., None] * inverse[j : j + n, i : i + n]).sum((0, 1)) ** 2
            )
    return out


@pytest.mark.parametrize(("pixfrac", "pixels"), [(0.9, 2), (1.4, 3), (2.3, 4), (3.3, 5)])
def test_bent_and_wide_frames_are_laid_down_sample_by_sample(pixfrac, pixels):
    """Rows longer than the kernel works on at once, no two drops with the same phase, half of the frame beside."""
    shape, out_shape = (13, 2 * LANES + 90), (16, 420)
    frame = invented(5, shape, [None])[0]
    bend = straight(np.array([[0.99, 0.01, -60.0], [0.002, 1.0, 1.7]]))
    bend[0, 2, 0], bend[1, 1, 1], bend[1, 3, 0] = 1e-5, -2e-5, 1e-9
    table = overlap_table(bend[:, [1, 0], [0, 1]], pixfrac)
    assert table.shape[2] == pixels
    level, inverse = (
        np.full(out_shape, 50.0, np.float32),
        np.random.default_rng(6).random((*out_shape, 4), np.float32),
    )
    common = (*frame[:4], 0, 0, bend, CELL, 1, table, 0.5, 20.0, 1.0, 0.0, level, 0, 0)
    sums, power = np.zeros((2, *out_shape, 4), dtype=np.float32)
    deposit_values(*common, sums)
    deposit_variance(*common, inverse, power)
    for found, truth in (
        (sums, one_by_one(frame, bend, table, out_shape)),
        (power, one_by_one(frame, bend, table, out_shape, inverse)),
    ):
        assert (truth[:, 300:, 0] != 0).any()
        np.testing.assert_allclose(found, truth, rtol=2e-5, atol=1e-6 * truth.max())


@pytest.mark.parametrize("count", [6, 24])
@pytest.mark.parametrize("pixfrac", [0.6, 1.0, 2.0])
def test_noise_power_is_the_exact_noise_of_areas(count, pixfrac):
    """Var of a block's mean = sum_i v_i (w_i sum_block a_ij / W_j)^2 / n^2, summed in float64 without chance.

    Over the power laid down it is the rim factor of Fruchter & Hook 2002, eq. 9, however uneven the coverage.
    """
    rng = np.random.default_rng(count)
    shape, inside = (112, 112), np.s_[8:-8, 8:-8]
    matrices = [
        [[f, 0, sx + (111 if f < 0 else 0)], [0, f, sy + (111 if f < 0 else 0)]]
        for f, sx, sy in zip(np.tile([1, -1], 12), *rng.uniform(-8, 8, (2, 24)), strict=True)
    ][:count]
    frames = invented(count, shape, matrices)
    sums, power = deposited(frames, pixfrac, shape, 0)
    inverse = np.divide(1, sums[..., 1], out=np.zeros(shape), where=sums[..., 1] > 0)[inside].ravel()
    pixels = np.arange(112 * 112).reshape(shape)[inside].ravel()
    parts = []
    for z, base, slope, bad, matrix in frames:
        shares, index = upright_drops(matrix, shape, 0, pixfrac, shape)
        z, base, slope, bad = (part.ravel()[index].astype(float) for part in (z, base, slope, bad))
        weight = np.where(np.isfinite(z) & (bad == 0), 1 / np.maximum(base + slope * 20.0, 0.5), 0)
        variance = weight**2 * np.maximum(base + slope * 50.0, 0.5)
        parts.append((sparse.csr_array(sparse.diags_array(inverse) @ shares[pixels]), variance))
    for side in (8, 16, 32):
        row = sparse.kron(sparse.eye_array(96 // side), np.ones((1, side)))
        block = sparse.csr_array(sparse.kron(row, row))
        exact = sum((block @ shares).power(2) @ variance for shares, variance in parts)
        claimed = block @ power[..., 0][inside].ravel()
        # frames that are not turned lie alike on every block: 24 places, not an even spread; 1 per cent in noise
        assert exact.sum() / claimed.sum() == pytest.approx(area_factor(pixfrac, side), rel=0.02), side


@pytest.mark.parametrize("degrees", [0.0, 33.0, 180.0])
def test_light_is_conserved(degrees):
    """Fluxes add up: the sum over pixels of w a z is the sum over samples of w z (Fruchter & Hook 2002; Z6)."""
    shape, out_shape = (20, 22), (60, 60)
    matrix = fields["turned"](degrees, 1.2, (19.3, 20.7), (10.5, 9.5))
    frames = invented(7, shape, [matrix])
    sums, _ = deposited(frames, 0.8, out_shape, 1)
    z, base, slope, bad, _ = frames[0]
    v, u = np.mgrid[: shape[0], : shape[1]]
    good = (CELL[v % 2, u % 2] == 1) & np.isfinite(z) & (bad == 0)
    weight = 1 / np.maximum(base + slope * 20.0, 0.5)
    assert sums[..., 0].sum() == pytest.approx((weight * z)[good].sum(), rel=1e-5)
    assert sums[..., 1].sum() == pytest.approx(weight[good].sum(), rel=1e-5)


def test_surface_brightness_is_kept():
    frames = [
        (np.full((40, 40), 7.5, np.float32), np.ones((40, 40), np.float32), np.zeros((40, 40), np.float32),
         np.zeros((40, 40), np.int8), fields["turned"](a, s, (0.3, 0.1), (20, 20)))
        for a, s in ((0, 1.0), (25, 1.3), (180, 0.8))
    ]  # fmt: skip
    sums, _ = deposited(frames, 1.0, (40, 40), 0)
    covered = sums[..., 1] > 0
    np.testing.assert_allclose((sums[..., 0] / np.where(covered, sums[..., 1], 1))[covered], 7.5, rtol=1e-6)


def test_drops_beyond_the_tile_and_empty_rectangles_are_left_out():
    frames = invented(1, (6, 6), [[[1, 0, -50.0], [0, 1, 0]]])
    sums, power = deposited(frames, 1.0, (12, 12), 0)
    assert not sums.any()
    assert not power.any()
    empty = [tuple(part[:0] for part in frames[0][:4]) + (frames[0][4],)]
    assert not deposited(empty, 1.0, (12, 12), 0)[0].any()
    one = [
        tuple(np.ones((1, 1), dtype=part.dtype) * (k < 3) for k, part in enumerate(frames[0][:4]))
        + ([[1, 0, 4], [0, 1, 5]],)
    ]
    one[0] = (*one[0][:3], np.zeros((1, 1), np.int8), one[0][4])
    sums, _ = deposited(one, 1.0, (12, 12), 0)
    assert np.argwhere(sums[..., 1] > 0.01 * sums[..., 1].max()).tolist() == [[5, 4]]


def test_area_factor_is_the_published_noise_ratio():
    # R = 1.5000 (p = s = 1), 1.6615 (.6, .5), 2.0211 (.8, .5), 2.4000 (1, .5), 1.2000 (.5, 1), 1.2766 (.65, 1):
    # Fruchter & Hook 2002 eqs. 9-10; pixel scatter over block scatter is 1 / R
    for pixfrac, scale, ratio in (
        (1, 1, 1.5),
        (0.6, 0.5, 1.6615),
        (0.8, 0.5, 2.0211),
        (1, 0.5, 2.4),
        (0.5, 1, 1.2),
    ):
        assert np.sqrt(area_factor(pixfrac / scale, 1)) == pytest.approx(1 / ratio, abs=1e-4)
    # sqrt F_A = 0.6667, 0.6019, 0.4948, 0.8333: Casertano et al. 2000 App. A
    for drop, root in ((1.0, 0.6667), (1.2, 0.6019), (1.6, 0.4948), (0.5, 0.8333)):
        assert np.sqrt(area_factor(drop, 1)) == pytest.approx(root, abs=1e-4)
    # exact for evenly spread drops: var of a block's mean / (v / n), by numerical integration over drop positions
    positions = np.linspace(-30, 30, 60001)
    for drop, block in ((1.0, 8), (2.0, 8), (0.6, 16), (3.0, 2)):
        inside = np.clip(
            np.minimum(positions + drop / 2, block / 2) - np.maximum(positions - drop / 2, -block / 2),
            0,
            None,
        )
        exact = np.trapezoid((inside / drop) ** 2, positions) / block
        assert area_factor(drop, block) == pytest.approx(exact**2, rel=1e-3)
